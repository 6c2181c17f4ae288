"""Coming: the outlook of a place, good hours, and what would change it."""
