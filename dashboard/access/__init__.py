"""Access to the board: guard, roles, sessions and sign-in."""
