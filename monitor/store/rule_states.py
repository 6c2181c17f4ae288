"""The state of each rule for each subject, so that a restart neither repeats nor forgets an alert."""

from __future__ import annotations

import json
from collections.abc import Mapping

from monitor.domain.alerts.rule_state import RuleState
from monitor.store.connection import Cursor
from monitor.store.reader import Reader
from monitor.store.writer import Writer


def read(store: Reader | Writer) -> dict[tuple[str, str], RuleState]:
    """The rule states by rule and subject."""
    rows = store.connection.rows("SELECT rule, subject, body FROM latch")
    return {(rule, subject): RuleState(*json.loads(body)) for rule, subject, body in rows}


def keep(
    run: Cursor,
    before: Mapping[tuple[str, str], RuleState],
    after: Mapping[tuple[str, str], RuleState],
) -> None:
    """Within a transaction: change the stored states from `before` to `after`."""
    run.executemany(
        "DELETE FROM latch WHERE rule = ? AND subject = ?",
        [key for key in before if key not in after],
    )
    run.executemany(
        "INSERT INTO latch (rule, subject, body) VALUES (?, ?, ?) "
        "ON CONFLICT (rule, subject) DO UPDATE SET body = excluded.body",
        [(*key, json.dumps(state)) for key, state in after.items() if before.get(key) != state],
    )
