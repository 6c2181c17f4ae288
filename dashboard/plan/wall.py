"""Line on the wall: what to do now and next, or what is wrong with the plan."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.plan import agenda as agendas
from dashboard.plan import text
from monitor.planning.words import Names

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.plan import PlanQueries
    from dashboard.data.shop import ShopData


def line(shop: ShopData, book: PlanQueries, now_ms: int) -> list[Component]:
    """The line; nothing where no repair is open."""
    journal, present = book.journal(), book.plan()
    if not agendas.open_repairs(journal):
        return []
    hours = book.hours()
    found = agendas.agenda(journal, present, now_ms, agendas.closing(hours, now_ms))
    opens = text.opens_next(hours, now_ms)
    trouble = ""
    if present is None or present.plan is None or not present.fresh(now_ms):
        trouble = text.state(journal, present, now_ms)
    words = text.wall_line(found, Names(journal), opens, now_ms, shop.settings.zone, trouble)
    name = html.Strong(dcc.Link("Plan", href="/plan"), className="plan-name")
    return [html.P([name, " ", html.Span(words)], className="plan-line")]
