"""Processes and time: scheduled jobs, child processes, the heartbeat."""
