"""Air, the wall page: one headline, then a row per place."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import dash
from dash import html

from dashboard.access.visitor import may_change
from dashboard.air import text
from dashboard.air.place_row import place_row
from dashboard.data import places
from dashboard.ui import formats, missing, page_frame, paging
from dashboard.ui.controls import tap_row
from dashboard.ui.markup import attributes, shape
from dashboard.ui.paging import Asked
from dashboard.ui.sentences import Headline
from monitor.air.current import PlaceAir, air_now
from monitor.core.clock import now_ms

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData
    from monitor.domain.places import Place

MANY = 30
"""Most places that are shown at once; more are shown by pages, the gravest first.  Ours."""
ON_WALL = 12
"""As many of them are on the wall page.  Ours: in two columns they have room."""


def _unknown(shop: ShopData, *, writer: bool) -> list[Component]:
    if not shop.has_store():
        return first_reading(writer=writer)
    sentence = "The air is not known. The store cannot be read."
    return [_headline(Headline("unknown", sentence, ""))]  # every page's banner says what to do


class WallStrips(NamedTuple):
    """Strips of other pages that the wall shows; the app hands them in."""

    alerts: Callable[[Sequence[PlaceAir], int], tuple[Headline | None, list[Component]]]
    """Function of the places' air and now: an alert that stands beside the headline, and a strip."""
    outlook: Callable[[int], list[Component]]
    """Function of now."""
    waits: Callable[[int], list[Component]]
    """Function of now."""
    drying: Callable[[], Mapping[str, tuple[str, ...]]]
    """Function that gives the open waits with solvents, by place."""
    plan: Callable[[int], list[Component]]
    """Function of now."""


NO_STRIPS = WallStrips(lambda *_: (None, []), lambda _: [], lambda _: [], dict, lambda _: [])


def register(app: dash.Dash, shop: ShopData, strips: WallStrips) -> None:
    """Hang the page and its refreshing into the app."""

    def live(asked: Asked) -> list[Component]:
        return content(shop, strips, writer=may_change().allowed, asked=asked)

    paging.register_list(app, "air", "/", "Air", live, lambda found: html.Main(found, id="air"))


@page_frame.where_store_fails(
    lambda _trouble, shop, *_, writer=False, **__: _unknown(shop, writer=writer)
)
def content(
    shop: ShopData,
    strips: WallStrips = NO_STRIPS,
    *,
    writer: bool = False,
    asked: Asked | None = paging.FIRST,
) -> list[Component]:
    """The headline, alerts, a row per place, outlook and open waits; or why nothing is known.

    `writer`: whether a reading may be typed from here. `asked`: which of many places are shown; None:
    the gravest, with no way to others.
    """
    now, zone = now_ms(), shop.settings.zone
    unit = formats.unit_of(shop.settings)
    seen = places.look(shop, MANY)
    words, number, _ = (seen.gravity and asked) or paging.FIRST
    found = paging.with_words(seen.places, words, lambda place: f"{place.label} {place.id}")
    page = paging.page_of(found, number, MANY if asked or not seen.gravity else ON_WALL)
    gravest = seen.places[:MANY]
    latest = places.latest_air(shop, seen, list(dict.fromkeys([*gravest, *page.rows])))
    shop_c = seen.gravity.shop_c if seen.gravity else None
    airs = air_now(latest, shop.settings, now, strips.drying(), unit, shop_c)
    if all(air.heard_ms is None for air in airs):
        return first_reading(writer=writer)
    head = text.headline(airs[: len(gravest)], now, zone, unit, seen.gravity)
    urgent, alerts = strips.alerts(airs[: len(gravest)], now)
    shown = set(page.rows)
    rows = [
        place_row(air, now, zone, unit, head, shop.settings, writer=writer)
        for air in airs
        if air.place in shown
    ]
    return [
        _headline(head),
        *([_urgent(urgent)] if urgent else []),
        *alerts,
        *(_search(page, len(seen.places), words) if seen.gravity and asked else []),
        html.Div(rows, className="places", **attributes(data_count=str(len(rows)))),
        *(paging.links(page, "/", words, "places") if asked else []),
        *strips.outlook(now),
        *strips.waits(now),
        *strips.plan(now),
    ]


def _search(page: paging.Page[Place], total: int, words: str) -> list[Component]:
    """Field to search many places, and how many were found."""
    form = paging.search_form("Search by place", "air-query", "/", words)
    count = html.P(paging.count_words(page, total, "place", words))
    return [html.Div([form, count], className="air-search")]


def first_reading(*, writer: bool) -> list[Component]:
    """An empty shop: where it is set up."""
    return [
        _headline(
            Headline("unknown", "Set up your shop.", "The board is waiting for the first reading.")
        ),
        html.Div(
            [
                html.P(
                    "The guide leads from here to the first ready time. It takes a few minutes."
                ),
                tap_row(
                    missing.taps(
                        ("Open the guide", "/guide"), *([missing.TYPE_READING] if writer else [])
                    )
                ),
            ],
            className="first",
        ),
    ]


def _headline(head: Headline) -> Component:
    return html.Div(
        [
            html.H1([shape(head.state), html.Span(formats.unbroken(head.sentence))]),
            html.P(head.detail, className="detail") if head.detail else None,
        ],
        className="headline",
        **attributes(data_state=head.state),
    )


def _urgent(head: Headline) -> Component:
    """An alert that is as important as the headline, which goes on about the air."""
    return html.Section(
        [
            html.H2([shape(head.state), html.Span(formats.unbroken(head.sentence))]),
            html.P(head.detail, className="detail") if head.detail else None,
        ],
        className="urgent",
        **attributes(data_state=head.state, aria_label="Most urgent alert"),
    )
