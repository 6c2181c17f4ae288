"""Outlook of the shop's air, kept beside the store: learned at night, renewed every hour.

`material` reads the log and the forecasts, `work` learns and looks in a process of its own
(`python -m monitor.outlook`), `kept` is what it leaves in the data folder for all others to read.
All of it can be made again from the store.
"""
