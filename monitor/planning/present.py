"""The present plan, as one document beside the store: the planner writes it, all others read it."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from monitor.commands.closing import shop_hours
from monitor.domain.opening_hours import is_open
from monitor.planning.last_start import BEFORE_MS, LastStart
from monitor.planning.problem import SOLVER, Plan
from monitor.planning.sensitivity import Shift
from monitor.store.documents import documents_of

if TYPE_CHECKING:
    from monitor.settings import Settings
    from monitor.store import Reader

log = logging.getLogger(__name__)

NAME = "plan.json"
"""Name of the document."""
FORMAT = 5
"""A document of another format counts as none: the plan is made again within seconds."""
FRESH_MS = 1_200_000
"""A plan that was looked at longer ago says nothing any more. [ms]  Ours: one is made each 5 min."""


@dataclass(frozen=True, kw_only=True)
class PresentPlan:
    """The plan of all open repairs.

    `version` is that of the journal from which it was made; `improving`: a better one is being
    looked for; `shifts`: what moves a repair, once no better plan is looked for; `why_not`: why there
    is no plan, as sentences; `unknown`: places whose air is not known, where waits have their usual
    times.
    """

    made_ms: int
    version: int
    plan: Plan | None
    last_starts: tuple[LastStart, ...] = ()
    shifts: tuple[Shift, ...] = ()
    improving: bool = False
    why_not: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()
    format: int = FORMAT

    @property
    def by_rules(self) -> bool:
        """True if no solver has looked for a better plan."""
        made = self.plan
        return (
            made is not None and bool(made.steps) and made.solver != SOLVER and not self.improving
        )

    def fresh(self, now_ms: int) -> bool:
        """True if the plan is recent enough to show. [ms]"""
        return abs(now_ms - self.made_ms) < FRESH_MS


def keep(settings: Settings, present: PresentPlan) -> None:
    """Replace the stored plan. The caller reports an OSError or a StoreFault."""
    documents_of(settings).put(NAME, msgspec.json.encode(present).decode())


def read(settings: Settings) -> PresentPlan | None:
    """The stored plan; None before the first."""
    try:
        found = msgspec.json.decode(documents_of(settings).read(NAME), type=PresentPlan)
    except FileNotFoundError:
        return None
    except (OSError, UnicodeDecodeError, msgspec.DecodeError) as exc:
        log.warning("plan cannot be read reason=%s", exc)
        return None
    return found if found.format == FORMAT else None


def last_starts(reader: Reader, settings: Settings, now_ms: int) -> tuple[LastStart, ...]:
    """Last starts of today by the stored plan; none earlier in the day."""
    hours, zone = shop_hours(reader, settings), settings.zone
    if not is_open(hours, zone, now_ms) or is_open(hours, zone, now_ms + BEFORE_MS):
        return ()
    found = read(settings)
    return found.last_starts if found is not None and found.fresh(now_ms) else ()


def kept_at(settings: Settings) -> int:
    """Version of the stored plan for caches; 0 before the first."""
    return documents_of(settings).stamp(NAME)
