"""The repair plan: which step to start when, so that nights do the waiting."""
