"""Queries and caches: the only folder of the board that knows the store."""
