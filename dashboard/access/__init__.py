"""Access to the board: the guard of every answer, signing in, and the sign-in page."""
