"""Results of tests of the channels for notices, and the terms of the weather services."""

from __future__ import annotations

from typing import TYPE_CHECKING
from urllib.parse import urlsplit

import dash
from dash import html

from dashboard.data.guide import NOTICES_READ, tests_of_channels
from dashboard.ui import notice_test, page_frame
from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from dash.development.base_component import Component

    from dashboard.data.shop import ShopData

SAID = "channel-said"


def register(app: dash.Dash, shop: ShopData) -> None:
    """Hang the refreshing of the result into the app."""

    page_frame.drawn_again(app, SAID)(lambda: outcome(shop))


def said(shop: ShopData) -> Component:
    """The line where the result of the last test appears."""
    return html.P(
        outcome(shop), id=SAID, role="status", className="said", **attributes(aria_live="polite")
    )


@page_frame.where_store_fails(lambda *_: "")
def outcome(shop: ShopData) -> str:
    """Result of the last test notice in words; empty without one."""
    tests = tests_of_channels(shop.notices(NOTICES_READ).newest, shop.settings)
    return notice_test.outcome(tests[0], shop.settings.zone) if tests else ""


def terms() -> list[Component]:
    """The weather services with their licence lines, and where their terms are."""
    from monitor.outlook.weather.providers import READY

    return [
        html.Ul(
            [
                html.Li(f"{one.attribution}. Read its terms at {urlsplit(one.base).hostname}.")
                for one in READY.values()
            ]
        )
    ]
