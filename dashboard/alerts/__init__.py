"""Alerts: the list, one alert, and the rules behind them."""
