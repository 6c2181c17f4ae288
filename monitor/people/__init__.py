"""People of the shop: roles, passwords, sessions, tokens and the history of who got in."""
