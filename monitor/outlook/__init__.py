"""Outlook of the shop's air, learned at night, renewed every hour, and the outdoor forecasts it uses.

`weather` gets and stores the forecasts. `inputs` reads them and the log, `worker` learns and looks in
processes of its own (`python -m monitor.outlook`), `files` is what it leaves for all others to read,
in its home (`homes`): the data folder, or the database on a server. All that the worker leaves but
the issued outlooks can be made again.
"""
