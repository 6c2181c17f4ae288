"""Who may see and who may change: the guard of every answer, signing in, and its page."""
