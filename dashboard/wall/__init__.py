"""The wall page: Air without menu, links or buttons, for a screen that nobody touches."""
