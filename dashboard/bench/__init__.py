"""Bench: open waits, one wait, finished waits, wait types, ready by, and the calendar feed."""
