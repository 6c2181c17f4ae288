"""Typesetting: a template and its content become a tagged PDF, with nothing fetched.

The one module that knows the typesetter. Content reaches a template as data, never as markup: what
was typed cannot change the page.
"""

from __future__ import annotations

import contextlib
import functools
import json
import subprocess
import sys
import threading
from collections.abc import Mapping
from importlib.resources import as_file, files
from typing import Any, Literal

import typst

from monitor.core.errors import MonitorError

PDF_UA: Literal["ua-1"] = "ua-1"
"""Made to PDF/UA-1 (ISO 14289-1): tagged, with a title, a language and words for drawings."""


APART_S, APART_BYTES = 20.0, 2 << 30
"""Most time and memory for a page that is set apart. [s], [bytes]"""
_apart = threading.Lock()


class TypesetFault(MonitorError):
    """A page could not be set."""


class TypesetterBusy(TypesetFault):
    """Another page is being set apart."""


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


def pdf_apart(template: bytes, content: Mapping[str, Any], most_s: float = APART_S) -> bytes:
    """Like `pdf`, in a process of its own, one at a time, with little time and memory.

    For drawings that a visitor sends: one can end the process that draws it, or never be done.

    Raises
    ------
    TypesetterBusy
        If another page is being set.
    TypesetFault
    """
    asked = json.dumps({"template": template.decode(), "content": content}).encode()
    if not _apart.acquire(timeout=most_s / 4):
        raise TypesetterBusy("another page is being set")
    try:
        done = subprocess.run(  # noqa: S603 - ours
            [sys.executable, "-P", "-m", __name__],
            input=asked,
            capture_output=True,
            timeout=most_s,
        )
    except (OSError, subprocess.TimeoutExpired) as exc:
        raise TypesetFault(f"the page could not be set: {type(exc).__name__}") from exc
    finally:
        _apart.release()
    if done.returncode:
        raise TypesetFault(f"the page could not be set: code {done.returncode}")
    return done.stdout


def _main() -> int:
    """Set the page that comes by the standard input."""
    with contextlib.suppress(ImportError, ValueError, OSError):  # not everywhere
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (APART_BYTES, APART_BYTES))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    asked = json.load(sys.stdin.buffer)
    try:
        sys.stdout.buffer.write(pdf(asked["template"].encode(), asked["content"]))
    except TypesetFault:
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(_main())
