"""Invented shops to score the outlook on: weather, rooms, sensors and archived forecasts.

Not the fitted model: walls and wood are slabs with water diffusing through them along a bent
isotherm, air comes in by wind, warmth and doors, heaters switch, people come as they please.
"""
