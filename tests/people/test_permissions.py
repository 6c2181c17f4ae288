"""Decision on every part of the board: who may."""

from __future__ import annotations

import dashboard_fixtures as shop_air
from undecided_parts import undecided

from dashboard.app import create_app


def test_every_part_of_the_board_has_a_need(tmp_path):
    """If this fails, say in `access/permissions.py` which role the new part needs."""
    app = create_app(shop_air.settings_in(tmp_path))
    app.server.test_client().get("/_dash-layout", headers={"Host": "localhost"})
    assert undecided(app) == []
    assert len(app.callback_map) > 30
