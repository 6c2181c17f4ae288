"""Notices by mail, push and chat.

One module sends, one worker empties the outbox and tries again.
"""
