"""Invented shops to score the outlook on: weather, rooms, sensors and archived forecasts.

A second simulator, kept apart from `sensors/simulator`: a score means something only if the rooms
share neither the fitted model's code nor the demo's, on which the model was first built.

Walls and wood are slabs with water diffusing through them along a bent isotherm, air comes in by
wind, warmth and doors, heaters switch, people come as they please. Only the packaged weather year
and the formulas of moist air are shared.
"""
