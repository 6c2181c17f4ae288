"""Arithmetic of air and wood: numbers in, numbers out; no files, clock, log or settings."""
