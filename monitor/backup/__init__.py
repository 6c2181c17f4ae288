"""Backups of the data folder, and exports of the store."""
