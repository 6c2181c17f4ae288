"""Science tests name the rung of proof that they stand on, in their docstrings.

From the top: a published value; an independent library; an independent derivation, by hand or by
another method; a property, such as a balance, a limit or an order; a regression, a figure of our own
that shows only that nothing moved. A figure that a constant was chosen to meet is a calibration, the
lowest of the last, and never a validation.
"""

from __future__ import annotations

import ast
import re
from collections import Counter
from pathlib import Path

from conftest import ROOT

RUNGS = (
    "published value",
    "independent library",
    "independent derivation",
    "property",
    r"regression \(calibration\)",
    "regression",
)
NAMED = re.compile(rf"Rung: ({'|'.join(RUNGS)})\.")
FILES = ("air/test_*.py", "climate/test_*.py", "wood/test_*.py", "waits/test_*.py")
FILES += ("clients/test_case_*.py",)


def rungs(file: Path) -> dict[str, str]:
    """Rung of each test of a file, empty where none is named."""
    found = {}
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
            named = NAMED.match(ast.get_docstring(node) or "")
            found[node.name] = named[1] if named else ""
    return found


def test_each_test_of_the_sciences_names_its_rung():
    counts: Counter[str] = Counter()
    for pattern in FILES:
        for file in sorted((ROOT / "tests").glob(pattern)):
            named = rungs(file)
            counts.update(named.values())
            missing = [name for name, rung in named.items() if not rung]
            assert not missing, f"{file.name}: {missing}"
    assert counts["published value"] >= 10
    assert counts["independent library"] >= 10
