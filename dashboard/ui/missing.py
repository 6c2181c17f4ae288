"""Notice where a page lacks something: the reason, and links to where that is set up."""

from __future__ import annotations

from typing import TYPE_CHECKING

from dash import dcc, html

from dashboard.ui.controls import tap_row
from dashboard.ui.reading_form import ADDRESS

if TYPE_CHECKING:
    from dash.development.base_component import Component

Link = tuple[str, str]
SET_UP_PLACE: Link = ("Set up a place", "/guide?step=shop")
TYPE_READING: Link = ("Type a reading", ADDRESS)
SET_UP_CHANNEL: Link = ("Set up mail or phone", "/guide?step=channel")
SET_UP_FORECAST: Link = ("Set up a forecast", "/guide?step=forecast")
CONNECT_SENSOR: Link = ("Connect a sensor", "/guide?step=reading")
TAKE_IN: Link = ("Take an instrument in", "/wood/new")
NO_PLACE = "There is no place indoors yet. Set one up first."
NO_READING = "There is no reading yet."


def missing(why: str, *links: Link) -> Component:
    """The reason as a sentence, and a tap for each link."""
    return html.Div([html.P(why), tap_row(taps(*links))], className="missing")


def taps(*links: Link) -> list[Component]:
    """Links as taps; the first is the main one."""
    return [
        dcc.Link(word, href=address, className="tap" if i else "tap main")
        for i, (word, address) in enumerate(links)
    ]
