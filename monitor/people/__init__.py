"""People of the shop: roles, passwords, sessions, tokens, history."""
