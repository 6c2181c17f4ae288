"""Advice for clients: what a case does in their home, worked out and put on one page.

`request` reads what was typed; `homes` makes the home's air of it; `worked` works it out; `sheet` says
it in the client's `language` and units, with `plot` and `reminders`; `html` and `pdf` lay it out.
"""
