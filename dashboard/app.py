"""Dash app of the board: shell, pages, and the small answer that reports changes."""

from __future__ import annotations

import secrets
from functools import partial
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING
from urllib.parse import quote

import dash
import flask

from dashboard import commands, health, shell
from dashboard.access import guard, people_page, permissions, sign_in
from dashboard.access import page as access_page
from dashboard.access.visitor import may
from dashboard.air import page as air_page
from dashboard.air import wall_page
from dashboard.alerts import alert_page as alerts_alert_page
from dashboard.alerts import page as alerts_page
from dashboard.alerts import phones_page as alerts_phones_page
from dashboard.alerts import rules_page as alerts_rules_page
from dashboard.alerts import wall as alerts_wall
from dashboard.bench import calendar_feed
from dashboard.bench import finished_page as bench_finished_page
from dashboard.bench import glue_now_page as bench_glue_now_page
from dashboard.bench import glue_page as bench_glue_page
from dashboard.bench import page as bench_page
from dashboard.bench import proof_page as bench_proof_page
from dashboard.bench import ready_by_page as bench_ready_by_page
from dashboard.bench import wait_page as bench_wait_page
from dashboard.bench import wait_types_page as bench_wait_types_page
from dashboard.bench import wall as bench_wall
from dashboard.clients import page as clients_page
from dashboard.coming import page as coming_page
from dashboard.coming import wall as coming_wall
from dashboard.data.alerts import AlertQueries
from dashboard.data.glue import GlueQueries
from dashboard.data.journal import CachedJournal
from dashboard.data.outlook import OutlookQueries
from dashboard.data.own_proof import ProofQueries
from dashboard.data.plan import PlanQueries
from dashboard.data.repairs import RepairQueries
from dashboard.data.settings import SettingsQueries
from dashboard.data.shop import ShopData
from dashboard.data.shops import ShopsQueries
from dashboard.data.waits import WaitQueries
from dashboard.data.wood import WoodQueries
from dashboard.guide import page as guide_page
from dashboard.help import page as help_page
from dashboard.past import calendar_page as past_calendar_page
from dashboard.past import climate_page as past_climate_page
from dashboard.past import compare_page as past_compare_page
from dashboard.past import emc_map_page as past_emc_map_page
from dashboard.past import page as past_page
from dashboard.past import psychrometric_page as past_psychrometric_page
from dashboard.plan import page as plan_page
from dashboard.plan import repair_page as plan_repair_page
from dashboard.plan import stock_page as plan_stock_page
from dashboard.plan import wall as plan_wall
from dashboard.plan import what_if_page as plan_what_if_page
from dashboard.sensors import page as sensors_page
from dashboard.sensors import reading_page as sensors_reading_page
from dashboard.sensors import sensor_page as sensors_sensor_page
from dashboard.server import renderer
from dashboard.settings import page as settings_page
from dashboard.shops import page as shops_page
from dashboard.wood import instrument_page as wood_instrument_page
from dashboard.wood import intake_page as wood_intake_page
from dashboard.wood import page as wood
from monitor.core.clock import now_ms
from monitor.people.roles import Role

if TYPE_CHECKING:
    import werkzeug

    from monitor.settings import Settings

ASSETS = Path(__file__).parent / "assets"
INDEX = """<!DOCTYPE html>
<html lang="en" data-start="{%start%}">
<head>
{%metas%}
<title>{%title%}</title>
<link rel="icon" type="image/svg+xml" href="/assets/mark.svg">
<link rel="apple-touch-icon" href="/assets/icons/icon-180.png">
<link rel="manifest" href="/manifest.webmanifest">
<script src="{%first%}" nonce="{%nonce%}"></script>
<script src="{%answers%}"></script>
{%css%}
</head>
<body>
<div id="lost" role="alert" hidden></div>
<noscript>The board needs JavaScript, which is switched off in this browser.</noscript>
{%app_entry%}
<footer>
{%config%}
{%scripts%}
{%renderer%}
<script src="{%plots%}"></script>
</footer>
</body>
</html>
"""


class _Board(dash.Dash):
    """Dash app whose page has the nonce of its content policy in it."""

    def interpolate_index(self, *args: str, **parts: str) -> str:
        page = str(super().interpolate_index(*args, **parts))
        return page.replace("{%nonce%}", flask.g.nonce)


def _dated(asset: str) -> str:
    """Address of a file that a browser may keep: a changed one has another, as Dash does it."""
    return f"/assets/{asset}?m={(ASSETS / asset).stat().st_mtime}"


def create_app(settings: Settings) -> dash.Dash:
    """Make the board for these settings. It reads the store when a page is asked for."""
    shop, start = ShopData(settings), secrets.token_hex(8)
    dash.page_registry.clear()  # Dash keeps it for the whole process
    app = _Board(
        "dashboard",
        use_pages=True,
        pages_folder="",
        assets_folder=str(ASSETS),
        assets_ignore="^(first_.*|wall[.].*|push-worker[.].*|plotly-.*)",
        include_pages_meta=False,
        serve_locally=True,
        compress=True,
        update_title=None,  # type: ignore[arg-type] # None is meant: leave the title be
        suppress_callback_exceptions=True,
        title=escape(settings.shop.name or "Benchweather"),  # Dash writes it as it is
        index_string=INDEX.replace("{%start%}", start)
        .replace("{%first%}", _dated("first_theme.js"))
        .replace("{%answers%}", _dated("first_answers.js"))
        .replace("{%plots%}", _dated("plotly-basic.min.js")),
    )
    renderer.register(app.server)
    guard.protect(app, settings.board)
    sign_in.register(app, settings)
    kept = CachedJournal(shop)
    coming_book = OutlookQueries(shop)
    book, woods = WaitQueries(shop, kept), WoodQueries(shop, kept, coming_book)
    alert_book = AlertQueries(shop, kept, book, woods)
    repairs = RepairQueries(shop, kept)
    plans = PlanQueries(shop, kept, repairs)
    strips = air_page.WallStrips(
        partial(alerts_wall.over_the_places, shop, alert_book),
        partial(coming_wall.foremost, shop, coming_book),
        partial(bench_wall.open_waits, shop, book),
        book.drying,
        partial(plan_wall.line, shop, plans),
    )
    air_page.register(app, shop, strips)
    wall_page.register(app, shop, strips, shell.banner, shell.DEMO, start)
    coming_page.register(app, shop, coming_book, woods)
    plan_stock_page.register(app, plans)
    for page in (plan_page, plan_what_if_page, plan_repair_page):  # the last takes any address
        page.register(app, shop, plans)
    past_page.register(app, shop, book, alert_book)
    sensors_page.register(app, shop, alert_book)
    for page in (
        past_compare_page,
        past_calendar_page,
        past_psychrometric_page,
        past_emc_map_page,
        past_climate_page,
        sensors_sensor_page,
        sensors_reading_page,
    ):
        page.register(app, shop)
    for page in (bench_wait_types_page, bench_finished_page):
        page.register(app, shop, book)
    glues = GlueQueries(shop, kept)
    bench_ready_by_page.register(app, shop, book, glues)
    for page in (bench_page, bench_wait_page):
        page.register(app, shop, book, woods, glues)
    bench_glue_page.register(app, shop, glues)
    bench_proof_page.register(app, shop, ProofQueries(shop, kept))
    bench_glue_now_page.register(app, shop, glues, woods)
    for wood_page in (
        wood,
        wood_intake_page,
        wood_instrument_page,
    ):  # the last takes any other address
        wood_page.register(app, shop, woods)
    alerts_phones_page.register(app, shop)
    for alert_page in (alerts_page, alerts_rules_page, alerts_alert_page):
        alert_page.register(app, shop, alert_book)
    clients_page.register(app, shop, kept)
    guide_page.register(app, shop, kept)
    shops_page.register(app, shop, ShopsQueries(settings.shops))
    access_page.register()
    people_page.register(app)
    help_page.register(app)
    changes = SettingsQueries(shop, kept)
    settings_page.register(app, shop, changes)
    commands.register(app, shop, commands.readings(shop, book, woods, alert_book, glues, changes))
    calendar_feed.register(app, shop, book, repairs)
    app.layout = lambda: shell.shell(shop)
    shell.register(app, shop)
    _redirect_old_addresses(app)
    _register_here(app, shop, start)
    health.register(app, shop)
    permissions.enforce(app)
    return app


def _redirect_old_addresses(app: dash.Dash) -> None:
    """`/probes…`, the address of Sensors in earlier versions, leads to `/sensors…`."""

    def moved(rest: str = "") -> werkzeug.Response:
        return flask.redirect(f"/sensors{quote(f'/{rest}') if rest else ''}", 301)

    app.server.add_url_rule("/probes", "old_sensors", moved)
    app.server.add_url_rule("/probes/<path:rest>", "old_sensor", moved)


def _register_here(app: dash.Dash, shop: ShopData, start_id: str) -> None:
    """`/here`: asked by each open page every second; whether it is still the same board, what time
    it has, and the token that changes with the store."""
    zone = shop.settings.zone.key

    def here() -> flask.Response:
        token = shop.change_token() if may(Role.VIEWER).allowed else ""
        return flask.jsonify(start=start_id, now_ms=now_ms(), token=token, zone=zone)

    app.server.add_url_rule("/here", "here", here)
