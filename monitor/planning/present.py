"""The present plan, as one file beside the store: the planner writes it, all others read it."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from typing import TYPE_CHECKING

import msgspec

from monitor.core.durable_file import write_durably
from monitor.planning.last_start import LastStart
from monitor.planning.problem import SOLVER, Plan
from monitor.planning.sensitivity import Shift

if TYPE_CHECKING:
    from pathlib import Path

    from monitor.settings import Settings

log = logging.getLogger(__name__)

FORMAT = 5
"""A file of another format counts as none: the plan is made again within seconds."""
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


def path_of(settings: Settings) -> Path:
    """File of the present plan."""
    return settings.data / "plan.json"


def keep(settings: Settings, present: PresentPlan) -> None:
    """Replace the stored plan. The caller reports an OSError."""
    write_durably(path_of(settings), msgspec.json.encode(present).decode())


def read(settings: Settings) -> PresentPlan | None:
    """The stored plan; None before the first."""
    try:
        found = msgspec.json.decode(path_of(settings).read_bytes(), type=PresentPlan)
    except FileNotFoundError:
        return None
    except (OSError, msgspec.DecodeError, msgspec.ValidationError) as exc:
        log.warning("plan cannot be read reason=%s", exc)
        return None
    return found if found.format == FORMAT else None


def kept_at(settings: Settings) -> int:
    """Version of the stored plan for caches; 0 before the first."""
    try:
        return path_of(settings).stat().st_mtime_ns
    except OSError:
        return 0
