"""Outlook of the shop's air, kept beside the store: learned at night, renewed every hour.

`inputs` reads the log and the forecasts, `worker` learns and looks in processes of its own
(`python -m monitor.outlook`), `files` is what it leaves for all others to read, in its home (`homes`):
the data folder, or the database on a server. All of it but the issued outlooks can be made again.
"""
