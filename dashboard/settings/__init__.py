"""Settings: all that a shop changes, without a file and without a terminal."""
