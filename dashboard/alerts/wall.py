"""On the wall, under the headline: the open alerts that nobody has acknowledged or put off."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.alerts import text, view
from dashboard.ui import formats
from dashboard.ui.markup import attributes
from dashboard.ui.sentences import Headline
from monitor.domain.alerts.rule import WATCHABLE, Of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

    from dash.development.base_component import Component

    from dashboard.data.alerts import AlertQueries, Seen
    from dashboard.data.shop import ShopData
    from dashboard.ui.formats import Unit
    from monitor.air.current import PlaceAir
    from monitor.domain.alerts.alert import Alert

SHOWN = 3
"""Most lines; a low wall shows fewer, the gravest first."""
LOUDEST = 3
"""An alert of this urgency may take the headline."""
FORETOLD, FORETOLD_FROM = "dry_snap", 2
"""Quantity, and least urgency, of an outlook alert for the headline: there is time to act."""


def over_the_places(
    shop: ShopData, book: AlertQueries, airs: Sequence[PlaceAir], now_ms: int
) -> tuple[Headline | None, list[Component]]:
    """Most urgent alert, shown beside the headline, and the strip of the other alerts."""
    calling = book.calling()
    if not calling:
        return None, []
    values, zone = book.values(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    shown, left = most_urgent(airs, calling, values, now_ms, zone, unit)
    lines = strip(left, len(book.open()), values, now_ms, zone, unit)
    return shown, [lines] if lines else []


def most_urgent(
    airs: Sequence[PlaceAir],
    calling: Sequence[Alert],
    values: Seen,
    now_ms: int,
    zone: ZoneInfo,
    unit: Unit,
) -> tuple[Headline | None, list[Alert]]:
    """Most urgent alert, shown beside the headline, and the alerts left for the lines under it.

    An alert that asks to act now is shown there, unless the air's own assessment is as grave; so does
    a dry snap to come, with its figures, while the air asks for nothing now. Those about
    waits are left out: the strip of what is in clamps has them.
    """
    left = [alert for alert in calling if not _in_clamps(alert)]
    gravest = max(
        (a.assessment.weight for a in airs if not a.old and a.place.kind != "outdoors"), default=0
    )
    snap = next((one for one in left if one.quantity == FORETOLD and not one.faded), None)
    if not left or left[0].urgency < LOUDEST or gravest >= left[0].urgency:
        if snap is None or snap.urgency < FORETOLD_FROM or gravest >= snap.urgency:
            return None, left
        left.remove(snap)
        return text.outlook_headline(snap), left
    first = left.pop(0)
    value = values.get((first.rule, first.subject))
    line, do = text.line(first, value, now_ms, zone, unit), formats.in_reader_unit(first.do, unit)
    return Headline("alert", line, do), left


def _in_clamps(alert: Alert) -> bool:
    return alert.quantity in WATCHABLE and WATCHABLE[alert.quantity].of is Of.WAIT


def strip(
    left: Sequence[Alert], count: int, values: Seen, now_ms: int, zone: ZoneInfo, unit: Unit
) -> Component | None:
    """Section of up to `SHOWN` alerts, the gravest first. `count`: of all that are open, as the menu
    has it; some are shown beside the headline or in clamps, or are acknowledged."""
    if not left:
        return None
    words = formats.counted(count, "alert")
    if count > len(left):
        words = f"{len(left)} of {words}"
    return html.Section(
        [
            html.H2(dcc.Link(words, href="/alerts")),
            html.Ul([_line(one, values, now_ms, zone, unit) for one in left[:SHOWN]]),
        ],
        className="calling",
        **attributes(aria_label="Alerts that nobody has acknowledged"),
    )


def _line(alert: Alert, values: Seen, now_ms: int, zone: ZoneInfo, unit: Unit) -> Component:
    value = values.get((alert.rule, alert.subject))
    return html.Li(
        [
            view.urgency(alert.urgency),
            html.Span(text.line(alert, value, now_ms, zone, unit), className="what-is"),
            html.Span(text.first_step(alert), className="then"),
        ],
        key=alert.id,
        **attributes(data_urgency=str(alert.urgency)),
    )
