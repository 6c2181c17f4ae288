"""The sheet as a PDF of one page."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING, Any

from monitor.clients import typst_pdf

if TYPE_CHECKING:
    from monitor.clients.sheet import Sheet

SIZES_PT = (10.4, 9.6, 9.0, 8.4, 7.8)
"""Sizes of its letters; the largest with which it keeps to one page is taken. [pt]"""
QR_MM = 27.0
"""Width of the code. [mm]  Common practice, no source: at least 0.4 mm a module for a phone."""


def pdf_of(sheet: Sheet) -> bytes:
    """A tagged PDF (PDF/UA-1), one page, its text selectable.

    Raises
    ------
    TypesetFault
    """
    template = (files("monitor.clients") / "sheet.typ").read_bytes()
    return typst_pdf.pdf(template, _content(sheet))


def _content(sheet: Sheet) -> dict[str, Any]:
    language, _, region = sheet.language.partition("-")
    more = {"lang": language, "region": region or "GB", "sizes": SIZES_PT, "qr_mm": QR_MM}
    sections = {n: v._asdict() for n, v in sheet._asdict().items() if hasattr(v, "_asdict")}
    return sheet._asdict() | sections | more
