"""The wall page: its frame, served once, and its content, fetched again at each change."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from dashboard.air import page as air_page
from dashboard.ui import formats
from dashboard.ui.plain_html import to_html
from monitor.core.clock import now_ms
from monitor.domain import opening_hours

if TYPE_CHECKING:
    from collections.abc import Callable

    import dash
    from dash.development.base_component import Component

    from dashboard.air.page import WallStrips
    from dashboard.data.shop import ShopData

ASSETS = Path(__file__).parent.parent / "assets"
SCRIPTS = ("wall.js", "fit.js", "board.js")
FRAME = """<!DOCTYPE html>
<html lang="en" data-wall data-start="{start}">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<script src="/assets/first_theme.js"></script>
{styles}
</head>
<body>
<div id="lost" role="alert" hidden></div>
<noscript>The board needs JavaScript, which is switched off in this browser.</noscript>
<div id="wall" class="board">{content}</div>
{scripts}
</body>
</html>
"""


def register(
    app: dash.Dash,
    shop: ShopData,
    strips: WallStrips,
    banner: Callable[[ShopData], list[Component]],
    demo: str,
    start: str,
) -> None:
    """Add `/wall` and `/wall/content` to the server. `banner`: the troubles; `demo`: the demo's mark;
    `start`: the mark of this start of the board."""

    def now() -> str:
        mark = demo if shop.settings.demo else ""
        return content(shop, strips, to_html(banner(shop)), to_html(mark))

    def page() -> str:
        sheets = sorted(path.name for path in ASSETS.glob("*.css"))
        return FRAME.format(
            start=start,
            title=to_html(shop.settings.shop.name or "Benchweather"),
            styles="\n".join(f'<link rel="stylesheet" href="/assets/{name}">' for name in sheets),
            content=now(),
            scripts="\n".join(f'<script src="/assets/{name}"></script>' for name in SCRIPTS),
        )

    app.server.add_url_rule("/wall", "wall", page)
    app.server.add_url_rule("/wall/content", "wall_content", now)


def content(shop: ShopData, strips: WallStrips, troubles: str, demo: str) -> str:
    """Content of the wall page now, as HTML; it has whether the shop is open, for the light."""
    now, settings = now_ms(), shop.settings
    hours = settings.hours.model_dump()
    local = formats.local(now, settings.zone)
    span = opening_hours.of_date(hours, local.date())
    is_open = span is not None and span[0] <= local.time() < span[1]
    air = to_html(air_page.content(shop, strips, asked=None))
    time = f"{formats.day(local.date())} {local:%H:%M}"
    name = to_html(settings.shop.name or "Benchweather")
    mark = f"<strong>{demo}</strong>" if demo else ""
    return (
        f'<div id="troubles" role="status">{troubles}</div>'
        f'<main id="air" data-open="{"yes" if is_open else "no"}">{air}'
        f'<p class="foot"><span>{name}</span>{mark}<time class="clock">{time}</time></p></main>'
    )
