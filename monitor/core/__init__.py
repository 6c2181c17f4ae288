"""Modules that every package may use.

Errors, the clock, signals, logs, units, measurements, JSON documents. It imports no other package.
"""
