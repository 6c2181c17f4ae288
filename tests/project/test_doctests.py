"""Every example in a docstring of the product gives what it shows."""

from __future__ import annotations

import doctest
import importlib

import pytest
from conftest import ROOT

FILES = [
    file
    for tree in ("monitor", "dashboard", "sensors")
    for file in sorted((ROOT / tree).rglob("*.py"))
    if ">>> " in file.read_text(encoding="utf-8")
]
MODULES = [
    ".".join(file.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
    for file in FILES
]
FORMULAS = {"air", "registry", "saturation", "uncertainty", "wood"}
"""Modules of `monitor.science` that must have examples."""


def test_the_modules_of_formulas_have_examples():
    assert {f"monitor.science.{name}" for name in FORMULAS} <= set(MODULES)


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_give_what_they_show(name):
    result = doctest.testmod(importlib.import_module(name))
    assert result.attempted > 0
    assert result.failed == 0
