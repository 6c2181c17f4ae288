"""Shops: several shops of one owner on one page, the gravest first."""
