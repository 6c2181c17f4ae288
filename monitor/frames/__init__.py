"""The shop's log as pandas tables, for anybody who wants to look further than the board does.

Column names carry units, times know their zone, and what follows from temperature and RH stands
beside them. Everything is read-only: nothing here can change the store.
"""

from __future__ import annotations

from monitor.frames.log import ShopLog, with_derived

__all__ = ["ShopLog", "with_derived"]
