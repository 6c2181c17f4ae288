"""Typesetting: a template and its content become a tagged PDF, with nothing fetched.

The one module that knows the typesetter. Content reaches a template as data, never as markup: what
was typed cannot change the page.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Mapping
from importlib.resources import as_file, files
from typing import Any, Literal

import typst

from monitor.core.errors import MonitorError

PDF_UA: Literal["ua-1"] = "ua-1"
"""Made to PDF/UA-1 (ISO 14289-1): tagged, with a title, a language and words for drawings."""


class TypesetFault(MonitorError):
    """A page could not be set."""


@functools.cache
def _fonts() -> typst.Fonts:
    with as_file(files("monitor.clients") / "fonts") as folder:
        return typst.Fonts(include_system_fonts=False, font_paths=[folder])


def pdf(template: bytes, content: Mapping[str, Any]) -> bytes:
    """A PDF of a template; it finds `content` as JSON in `sys.inputs.content`.

    Raises
    ------
    TypesetFault
    """
    try:
        return typst.compile(
            template,
            font_paths=_fonts(),
            ignore_system_fonts=True,
            format="pdf",
            sys_inputs={"content": json.dumps(content, ensure_ascii=False)},
            pdf_standards=PDF_UA,
        )
    except (typst.TypstError, RuntimeError) as exc:
        raise TypesetFault(f"the page could not be set: {exc}") from exc
