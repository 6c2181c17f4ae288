"""Open waits evaluated: from the store's air to ready times."""
