"""Roles of people on the board, each of which may do all that the one before it may."""

from __future__ import annotations

from enum import StrEnum


class Role(StrEnum):
    """Role of a person, a session or a token. The store and the command line use the value."""

    VIEWER = "viewer"
    BENCH = "bench"
    OWNER = "owner"

    def covers(self, needed: Role) -> bool:
        """True if this role may do what `needed` may.

        >>> Role.OWNER.covers(Role.BENCH), Role.VIEWER.covers(Role.BENCH)
        (True, False)
        """
        order = list(Role)
        return order.index(self) >= order.index(needed)


MAY = {
    Role.VIEWER: "read every page but Clients and People",
    Role.BENCH: "also read Clients, type readings, open, correct and release waits, take in "
    "instruments, calibrate sensors, acknowledge alerts, and make sheets and records",
    Role.OWNER: "also change settings, rules and wait types, admit, rename, void and remove "
    "sensors, erase clients' sheets, and manage people",
}
"""Rights of each role, in words."""
