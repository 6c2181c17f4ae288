"""Forecasts of the outdoor air: fetched, read, validated and stored."""
