"""Results that are kept from look to look while their inputs are the same."""

from __future__ import annotations

import numpy as np
import pytest

from monitor.air.kept_looks import KeptLooks


def test_a_result_is_made_again_when_one_of_its_inputs_changes():
    kept, made, array = KeptLooks(), [], np.arange(3.0)

    def look(**inputs):
        def make(some):
            made.extend(some)
            return [object() for _ in some]

        return kept.results("what", inputs, make)

    first = look(a=((array,), (1.0, "x")), b=((array,), (2.0, "y")))
    assert list(first) == made == ["a", "b"]
    made.clear()
    again = look(b=((array,), (2.0, "y")), a=((array,), (1.0, "x")))
    assert made == []
    assert [again["b"] is first["b"], again["a"] is first["a"]] == [True, True]
    assert list(again) == ["b", "a"]
    look(a=((array,), (1.5, "x")), b=((array.copy(),), (2.0, "y")))
    assert made == ["a", "b"], "another value, another array"


def test_what_is_not_asked_for_is_forgotten_and_each_kind_is_kept_apart():
    kept = KeptLooks()

    def look(what, keys, result):
        return kept.results(what, dict.fromkeys(keys, ((), ())), lambda some: [result] * len(some))

    assert look("one", "ab", 1) == {"a": 1, "b": 1}
    assert look("two", "a", 2) == {"a": 2}
    assert look("one", "a", 3) == {"a": 1}
    assert look("one", "ab", 4) == {"a": 1, "b": 4}


def test_a_fault_while_results_are_made_keeps_nothing_wrong():
    kept = KeptLooks()

    def fails(_):
        raise ValueError("no air")

    assert kept.results("what", {"a": ((), (1,)), "b": ((), (1,))}, lambda some: some)
    with pytest.raises(ValueError, match="no air"):
        kept.results("what", {"a": ((), (2,)), "b": ((), (1,))}, fails)
    found = kept.results(
        "what", {"a": ((), (1,)), "b": ((), (1,))}, lambda some: ["new"] * len(some)
    )
    assert found == {"a": "new", "b": "b"}
