"""When the shop is told: rules, how far each has got, and the alerts that come of them.

Nothing here reads a clock, a store or a sensor: what is seen, and when, is handed in.
"""
