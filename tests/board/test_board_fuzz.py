"""No request makes the board fail: malformed ones to every route and callback, from a seed."""

from __future__ import annotations

import contextlib

import board_fuzz
import dash
import pytest
from board_requests import HERE, ask_page

from dashboard.access.callback_request import fits_type, is_sound

COUNT = 600
"""Requests of each visitor; RESULTS.md has the larger count that was sent by hand."""


def check_what_pages_hold(board):
    """Whatever a page holds at first has the type that the guard expects of it."""
    asked = {
        (one["id"], one["property"])
        for entry in board.app.callback_map.values()
        for one in [*entry["inputs"], *entry["state"]]
    }
    checked = set()

    def walk(part):
        if isinstance(part, list):
            for one in part:
                walk(one)
        elif isinstance(part, dict):
            for prop, value in part.items():
                if isinstance(part.get("id"), str) and (part["id"], prop) in asked:
                    assert fits_type(part["id"], prop, value), (part["id"], prop, value)
                    checked.add((part["id"], prop))
                walk(value)

    paths = [page["path"] for page in dash.page_registry.values() if "<" not in page["path"]]
    for path in paths:
        answer = ask_page(board.browser(), path, **HERE)
        assert answer.status_code == 200, path
        walk(answer.json)
    assert len(checked) > 20


@pytest.mark.slow
@pytest.mark.parametrize("signed_in", [False, True], ids=["stranger", "signed in"])
def test_malformed_requests_get_a_plain_refusal(tmp_path, signed_in):
    with contextlib.ExitStack() as parts:
        board = board_fuzz.Board(tmp_path, parts, signed_in=signed_in)
        fuzz = board_fuzz.Fuzz(board.app, seed=15)
        refused = 0
        for _ in range(COUNT):
            sent = fuzz.next()
            answer = board.ask(sent)
            assert not answer.faults, (answer, board.raised(), str(sent)[:2_000])
            refused += answer.status >= 400
        assert COUNT / 2 < refused < COUNT  # most are malformed, some by luck are not
        if signed_in:
            check_what_pages_hold(board)
        for name in fuzz.callbacks:  # what a page sends passes the same guard
            assert is_sound(board.app, fuzz.update(name)), name
            body = fuzz.update(name)
            for part in ("output", "inputs", "outputs", "changedPropIds"):
                assert not is_sound(board.app, {k: v for k, v in body.items() if k != part})
            assert not is_sound(board.app, body | {"inputs": [*body["inputs"], None]})
