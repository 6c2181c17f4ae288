"""Notices by mail, push and chat.

One module sends by URL, one by web push to the phones of a third; a worker empties the outbox and tries
again.
"""
