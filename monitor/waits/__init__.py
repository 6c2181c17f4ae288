"""Waits, glue and proofs evaluated: from the store's air to ready times and results."""
