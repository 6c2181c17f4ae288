"""Scores the outlook on anyone's log and archived forecasts, forecasting only from what was known."""
