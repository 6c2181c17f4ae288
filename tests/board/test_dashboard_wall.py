"""The wall page as text: what it says, leaves out, and when the shop is open."""

from __future__ import annotations

import dashboard_fixtures as shop_air
import pytest
from dash import dcc, html

from dashboard.app import create_app
from dashboard.ui.plain_html import to_html
from monitor.core.clock import now_ms
from monitor.people.board_keys import make_board_keys
from monitor.store import Writer
from monitor.store.secret_files import FolderFiles

DAY = 86_400_000


def test_components_become_html_without_controls_and_text_never_markup():
    part = html.Div(
        [
            html.P(
                ["<b>", " & ", 3],
                className="a b",
                style={"WebkitMaskImage": 'url("x")', "left": "3%"},
            ),
            dcc.Link("Bench", href="/bench"),
            html.Button("Tap"),
            html.Details(
                [html.Summary("All"), "all"], className="c", **{"data-instead": "See Air."}
            ),
            None,
            html.Br(),
        ],
        **{"aria-label": 'so "called"'},
    )
    assert to_html(part) == (
        '<div aria-label="so &quot;called&quot;">'
        '<p class="a b" data-style="-webkit-mask-image:url(&quot;x&quot;);left:3%">&lt;b&gt; &amp; 3</p>'
        '<span>Bench</span><p class="c">See Air.</p><br></div>'
    )


@pytest.fixture
def client(tmp_path):
    settings = shop_air.settings_in(tmp_path)
    writer, now = Writer(settings.store_path), now_ms()
    shop_air.fill(writer, "front-bench", now - DAY, now + 1, 60_000, shift_pct=-22)
    shop_air.fill(writer, "outdoors", now - DAY, now + 1, 60_000)
    shop_air.beat(settings)
    make_board_keys(FolderFiles(settings.data))
    yield create_app(settings).server.test_client()  # a browser without any session
    writer.close()


def test_anyone_who_may_look_sees_the_wall_page_without_menu_and_buttons(client):
    page = client.get("/wall").get_data(as_text=True)
    assert client.get("/wall").headers["Cache-Control"] == "no-store"
    assert "Very dry" in page
    assert "% if heated" in page
    assert "More advice is on Air." in page
    assert "Nothing in clamps." in page
    for tag in ("<nav", "<a ", "<button", "<input", "<details"):
        assert tag not in page
    content = client.get("/wall/content").get_data(as_text=True)
    assert content.partition(" ago")[0].rpartition(">")[0] in page  # but for the seconds of an age
    assert 'data-open="yes"' in content  # Wednesday 9 December 2026, 10:30 in Paris


def test_the_shop_s_name_is_text_in_the_title_of_every_page(tmp_path):
    config = shop_air.CONFIG.replace("Kestrel Row Strings", "</title><b>Vale")
    client = create_app(shop_air.settings_in(tmp_path, config=config)).server.test_client()
    page = client.get("/").get_data(as_text=True)
    assert "<title>&lt;/title&gt;&lt;b&gt;Vale</title>" in page


@pytest.mark.parametrize(
    "hours", ['wednesday = ""', 'wednesday = "12:00-18:00"', 'closed = ["2026-12-09"]']
)
def test_the_wall_page_knows_when_the_shop_is_closed(tmp_path, hours):
    config = f"{shop_air.CONFIG}\n[hours]\n{hours}\n"
    settings = shop_air.settings_in(tmp_path, config=config)
    Writer(settings.store_path).close()
    make_board_keys(FolderFiles(settings.data))
    client = create_app(settings).server.test_client()
    assert 'data-open="no"' in client.get("/wall/content").get_data(as_text=True)
