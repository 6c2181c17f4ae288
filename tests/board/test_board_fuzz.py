"""No request makes the board fail: malformed ones to every route and callback, from a seed."""

from __future__ import annotations

import contextlib

import board_fuzz
import pytest

from dashboard.access.callback_request import is_sound

COUNT = 600
"""Requests of each visitor; RESULTS.md has the larger count that was sent by hand."""


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
        for name in fuzz.callbacks:  # what a page sends passes the same guard
            assert is_sound(board.app, fuzz.update(name)), name
            body = fuzz.update(name)
            for part in ("output", "inputs", "outputs", "changedPropIds"):
                assert not is_sound(board.app, {k: v for k, v in body.items() if k != part})
            assert not is_sound(board.app, body | {"inputs": [*body["inputs"], None]})
