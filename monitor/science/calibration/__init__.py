"""Proving a sensor: fixed points, when a reading has settled, the fit and what it is worth."""
