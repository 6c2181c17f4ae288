"""Observations that rules test, of the shop now and of a stretch of its log, and their messages."""
