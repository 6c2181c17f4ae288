"""Alerts: observations that rules test, now and in the log, their messages, and the notices."""
