"""QR codes, made on this machine. The one module that knows the library."""

from __future__ import annotations

import io

import segno


def qr_of(text: str) -> str:
    """A QR code (ISO/IEC 18004) as SVG, with its quiet zone."""
    out = io.BytesIO()
    code = segno.make(text, error="l", micro=False, encoding="utf-8", boost_error=False)
    code.save(out, kind="svg", border=4, xmldecl=False, omitsize=True, svgns=True)
    return out.getvalue().decode("utf-8").strip()
