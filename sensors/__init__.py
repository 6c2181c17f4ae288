"""The reading end: what publishes readings, and the simulated shop of the demo."""
