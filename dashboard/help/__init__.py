"""Help: the manual, one Markdown file a subject, shown by the board and linked from the README."""
