"""Alerts of the shop: rules, their states, and the alerts that they raise.

Nothing here reads a clock, a store or a sensor: what is seen, and when, is handed in.
"""
