"""Guide: the steps from an empty data folder to a shop that works."""
