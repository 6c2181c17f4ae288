"""The board: pages that show what the store holds, read-only, in a process of its own."""
