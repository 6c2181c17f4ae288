"""The sensor agent: reads the kernel's sensor chips on a small Linux board and publishes them.

Readings are put on disk before they are sent, and leave it when the broker has acknowledged them.
Nothing heavy is imported here: the process must stay small.
"""
