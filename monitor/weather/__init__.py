"""Forecasts of the outdoor air: what a document tells, judged, as one record.

Arithmetic and text only: nothing is fetched, stored or asked of the clock here.
"""
