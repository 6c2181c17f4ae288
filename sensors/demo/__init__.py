"""The demo: an invented shop whose year is filled in and whose sensors then publish live."""
