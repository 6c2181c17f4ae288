"""Sensors: every sensor, one sensor with its calibration, and rejected messages."""
