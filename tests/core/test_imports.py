"""What is imported out of the garbage collector's sight."""

from __future__ import annotations

import gc

import pytest

from monitor.core.imports import uncollected


def test_what_is_made_within_is_never_looked_at_and_the_collector_runs_on_after_it():
    with uncollected():
        assert not gc.isenabled()
        kept = [object() for _ in range(3)]
    assert gc.isenabled()
    assert not any(one is kept for one in gc.get_objects())


def test_the_collector_runs_on_after_an_import_that_fails():
    with pytest.raises(ImportError), uncollected():
        import monitor.core.no_such_module  # noqa: F401 - must fail
    assert gc.isenabled()
