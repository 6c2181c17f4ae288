"""Published check values and the demo's weather; sources in SOURCES.md."""
