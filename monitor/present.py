"""The air at each place now: latest readings, what follows from them, and the verdict."""
