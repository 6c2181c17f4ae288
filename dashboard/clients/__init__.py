"""Clients: the form of a client's sheet, the sheets kept, and records of air."""
