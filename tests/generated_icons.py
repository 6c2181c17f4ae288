"""Icons of the board, made from its mark: `PYTHONPATH=. python tests/generated_icons.py`."""

from __future__ import annotations

from pathlib import Path

import typst

ASSETS = Path(__file__).parent.parent / "dashboard/assets"
PAPER = "#f5f0e4"
SIZES = {"icon-180": 180, "icon-192": 192, "icon-512": 512, "icon-512-maskable": 512}
"""Files and their sizes. [px]"""
SAFE = 0.8
"""Share of a maskable icon that every mask leaves (W3C, Web Application Manifest, icon masks)."""


def icon(name: str) -> bytes:
    """An icon as PNG."""
    size, share = SIZES[name], SAFE if name.endswith("maskable") else 1.0
    page = (
        f'#set page(width: {size}pt, height: {size}pt, margin: 0pt, fill: rgb("{PAPER}"))\n'
        f'#align(center + horizon, image("mark.svg", width: {share * size}pt))'
    )
    return typst.compile(page.encode(), root=str(ASSETS), format="png", ppi=72)


def main() -> None:
    folder = ASSETS / "icons"
    folder.mkdir(exist_ok=True)
    for name in SIZES:
        (folder / f"{name}.png").write_bytes(icon(name))


if __name__ == "__main__":
    main()
