"""Release times of lap joints, by the expected air."""

from __future__ import annotations

from typing import TYPE_CHECKING

from monitor.commands.own_proof import lap_wait
from monitor.core import formats
from monitor.core.errors import Rejected
from monitor.domain.own_proof import Proof, ProofState
from monitor.domain.own_proof_kinds import ProofKind
from monitor.science.own_proof.joints import SHARES
from monitor.waits.evaluation import expectation

if TYPE_CHECKING:
    from monitor.commands import Journal
    from monitor.settings import Settings
    from monitor.store import Reader


def release_times(
    reader: Reader, settings: Settings, journal: Journal, proof: Proof, now_ms: int
) -> list[int]:
    """Times to release laps that are glued now; none where the ready time is not known.

    In ms since 1970-01-01 UTC, one for each of `SHARES`.
    """
    if proof.kind is not ProofKind.LAPS or proof.state is not ProofState.RUNNING:
        return []
    try:
        found = expectation(reader, settings, lap_wait(journal, proof, now_ms), now_ms).ready_ms
    except Rejected:
        return []
    if found is None:
        return []
    return [now_ms + round(share * (found[1] - now_ms)) for share in SHARES]


def release_words(
    reader: Reader, settings: Settings, journal: Journal, proof: Proof, now_ms: int
) -> str:
    """Sentence with the times to release laps that are glued now; "" where they are not known."""
    times = release_times(reader, settings, journal, proof, now_ms)
    if not times:
        return ""
    first, second, third = (formats.when(one, now_ms, settings.zone) for one in times)
    return f"If you glue now, release three at {first}, three at {second} and three at {third}."
