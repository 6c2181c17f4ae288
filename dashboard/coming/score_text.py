"""Texts on the accuracy of the outlook: of what was issued, and of the walk through the log."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dashboard.ui.formats import counted

if TYPE_CHECKING:
    from collections.abc import Sequence

    from monitor.outlook.evaluation.report import Score, SnapScore
    from monitor.outlook.files import LearnedPlace


def score_rows(scores: Sequence[Score]) -> list[tuple[str, str, str, str]]:
    """Scores by horizon: ahead, off by, share of "as it is now", part of outcomes in the range."""
    return [
        (
            f"{s.horizon_h} h",
            f"{s.mae:.1f} %",
            f"{100 * s.of_persistence:.0f} %",
            f"{100 * s.coverage_80:.0f}",
        )
        for s in scores
    ]


def score_words(fit: LearnedPlace | None) -> str:
    """Skill of the past outlooks, in a sentence or two."""
    if fit is None or not fit.scores:
        return (
            "The outlook has not been tested on this shop's readings yet. It is tested every night, "
            "once there are ten days of readings."
        )
    return f"Tested on this shop's own readings. {_score_words(fit.scores, fit.snaps)}"


def issued_words(fit: LearnedPlace | None) -> str:
    """Skill of the outlooks and alerts that were really issued; empty before there are any."""
    issued = None if fit is None else fit.issued
    if issued is None or not issued.scores:
        return ""
    words = _score_words(issued.scores, issued.snaps)
    return f"The outlooks that you saw in the last {max(issued.days, 1):.0f} days: {words}"


def _score_words(scores: Sequence[Score], snaps: SnapScore | None) -> str:
    day = next((s for s in scores if s.horizon_h == 24), scores[-1])
    text = (
        f"{day.horizon_h} h ahead, the mean error was {day.mae:.1f} % RH. Assuming that the air "
        f"stays as it is, it was {day.mae_persistence:.1f} %. Of 100 "
        f"readings {100 * day.coverage_80:.0f} were in the range that should hold 80."
    )
    if snaps is None or not snaps.snaps:
        return f"{text} There was no dry snap in those days, so its alert is not tested here."
    median = f", {snaps.median_lead_h:.0f} h before (median)" if snaps.found else ""
    return (
        f"{text} Of {counted(snaps.snaps, 'dry snap')} {snaps.found} "
        f"{'was' if snaps.found == 1 else 'were'} expected in time{median}; false alarms "
        f"{snaps.false_alarms}."
    )
