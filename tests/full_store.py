"""A store with rows in every table."""

from __future__ import annotations

import numpy as np

from monitor.core.measurements import Quantity, Reading, Refusal, Series
from monitor.domain.alerts.rule_state import RuleState
from monitor.domain.events import About, Event
from monitor.domain.forecast import Forecast, Members, Position
from monitor.domain.notification import Notice
from monitor.domain.shop_state import ShopState
from monitor.store import (
    client_sheets,
    copying,
    forecasts,
    journal,
    outbox,
    rule_states,
    shop_states,
)
from monitor.store.aside import AsideMessage

T0, DAY_MS = 1_790_000_000_000, 86_400_000
SERIES = [Series("bänch", f"s{i}", Quantity.TEMPERATURE) for i in range(3)]


def fill(writer):
    writer.write(
        [Reading(one, T0 + DAY_MS * i, 20 + i / 7) for one in SERIES for i in range(50)],
        refusals=[Refusal(T0, "a/b", b"\0\xff\\", 2, "no 'pack'\t\\N")],
        deliveries=[(3, b"\0digest")],
        tallies={"messages": 4},
        lateness={("bänch", "s1", T0): 5},
        messages_aside=[AsideMessage(T0, T0, "p/s", "b/p/s", b"\x00{}", 2, 77, "boot", 1)],
    )
    event = Event(About.WAIT, "w1", T0, "anna", "start", {"é": [None, 0.5, "\\"]})
    hours = np.arange(2)
    air = (10.0 + hours, 50.0 + hours, np.array([1.0, np.nan]), np.full(2, np.nan))
    members = Members(*(np.array([[1.0, np.nan], [2.0, 3.0]]) + i for i in range(3)))
    forecast = Forecast(
        "met", Position(47.5, 8.25), T0, T0 + 3_600_000 * hours, *air, (), "", members
    )
    with writer.connection.transaction() as run:
        journal.append(run, [event] * 3, done=("c1", T0, {}))
        outbox.add(run, [Notice("n1", T0, T0, 2, "Dry", "30 % RH")], ["mail"])
        rule_states.keep(run, {}, {("dry", "attic"): RuleState(True, T0, T0 - 5, 31.25)})
        forecasts.add(run, forecast, T0)
        forecasts.keep_progress(run, forecasts.SourceProgress("met", T0, T0 + 5, None, 1, "away"))
        run.execute("INSERT INTO newcomer (name, first_ms, state) VALUES ('p', 1, 'waits')")
        run.execute(
            "INSERT INTO waiting (name, received_ms, topic, payload, readings) "
            "VALUES ('p', 1, 't', ?, 1)",
            (b"\1",),
        )
        run.execute("INSERT INTO retention VALUES (1, ?)", (T0 - DAY_MS,))
        shop_states.keep(run, ShopState(name="Käfer", made_ms=T0, alerts={3: 1}))
    client_sheets.keep(writer, "Mira", T0, {"zip": "é"}, {"rh": 45.5}, {"rh": [1, 2]})


def content(connection):
    """All rows of a store by table, in one order whatever the engine's is."""
    tables = ("series", *copying.BY_SERIES, *copying.AT_ONCE)
    return {table: sorted(connection.rows(f"SELECT * FROM {table}"), key=repr) for table in tables}
