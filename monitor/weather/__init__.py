"""Forecasts of the outdoor air: fetched, read, validated and stored.

Arithmetic and text only: nothing is fetched, stored or asked of the clock here.
"""
