"""Wood: every instrument, one instrument, taking one in, and correcting an entry."""
