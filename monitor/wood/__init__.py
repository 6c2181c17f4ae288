"""Instruments evaluated: from the store's air to moisture, strain and when to close."""
