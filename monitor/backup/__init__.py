"""Backups of the data folder: made, verified, restored."""
