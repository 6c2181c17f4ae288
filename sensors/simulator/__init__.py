"""Simulated shops: rooms, people, weather and sensors, seeded, for trials and the demo."""
