"""Sensor care: calibration in a salt jar, and the health of each sensor."""
