"""Repairs: their steps, templates, and the shop's stock of clamps and places."""
