"""Plan: what to start now, next and before leaving, and every repair until it is handed out."""
