"""The shop's air as the log shows it.

The present air of each place, means over a span, the climate report.
"""
