"""Domain of the shop: waits, instruments, sensors, places, rules and their alerts.

Pure: records, numbers and the time go in, results come out. Nothing here reads a file, a clock, a
setting or the store.
"""
