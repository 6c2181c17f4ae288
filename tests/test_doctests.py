"""The examples in the docstrings of `monitor.science` give what they show."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

import monitor.science

MODULES = [m.name for m in pkgutil.iter_modules(monitor.science.__path__, "monitor.science.")]
FORMULAS = {"air", "registry", "saturation", "uncertainty", "wood"}


def test_every_module_of_formulas_is_looked_at():
    assert {f"monitor.science.{name}" for name in FORMULAS} <= set(MODULES)


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_give_what_they_show(name):
    result = doctest.testmod(importlib.import_module(name))
    assert result.failed == 0
    assert result.attempted > 0 or name.rpartition(".")[2] not in FORMULAS
