"""Dash's script as the board serves it: the messages that do nothing are not sent."""

from __future__ import annotations

import importlib.resources

import dashboard_fixtures as shop_air
import pytest

from dashboard.app import create_app
from dashboard.server.renderer import SENT, quickened

SCRIPT = importlib.resources.files("dash") / "dash-renderer/build/dash_renderer.min.js"


def test_the_script_of_the_installed_dash_sends_the_message_at_one_place():
    """With a Dash that does not, `dashboard/server/renderer.py` can go, or must be written anew."""
    assert len(SENT.findall(SCRIPT.read_bytes())) == 1


@pytest.mark.slow
def test_the_board_serves_the_quicker_script_to_be_kept_and_other_files_as_they_are(tmp_path):
    client = create_app(shop_air.settings_in(tmp_path)).server.test_client()
    page = client.get("/sign-in", headers={"Host": "127.0.0.1"}).get_data(as_text=True)
    (at,) = (part for part in page.split('"') if "/dash_renderer." in part)
    served = client.get(at, headers={"Host": "127.0.0.1"})
    assert served.get_data() == quickened(SCRIPT.read_bytes()) != SCRIPT.read_bytes()
    assert served.headers["Cache-Control"] == "max-age=31536000"
    other = next(part for part in page.split('"') if "/react-dom@" in part)
    assert b"layoutHashes" not in client.get(other, headers={"Host": "127.0.0.1"}).get_data()


def test_a_script_that_sends_it_elsewhere_or_more_than_once_is_left_as_it_is():
    once = b"x(function(){l&&p(ia({itempath:a}))},[l])"
    assert quickened(once) != once
    for other in (b"", b"l&&p(ia({itempath:a}))", 2 * once, once.replace(b"[l]", b"[m]")):
        assert quickened(other) == other
