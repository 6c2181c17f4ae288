"""`benchweather wall-screen`: files that open the wall page in full screen when a computer starts."""

from __future__ import annotations

import os
import shlex
from html import escape
from pathlib import Path
from urllib.parse import urlsplit

NAME = "benchweather-wall"
SCRIPT = """#!/bin/sh
# Opens the wall page of Benchweather in full screen: waits until the board answers, and starts the
# browser again where it ends. Written by `benchweather wall-screen`.
HERE={here}
PAGE={page}
PROFILE="${{XDG_CACHE_HOME:-$HOME/.cache}}/benchweather-wall"

answers() {{
  if command -v curl >/dev/null 2>&1; then curl -fs -m 5 -o /dev/null "$HERE"
  else wget -q -T 5 -O /dev/null "$HERE"; fi
}}

show() {{
  for browser in chromium chromium-browser; do
    if command -v "$browser" >/dev/null 2>&1; then
      "$browser" --kiosk --no-first-run --noerrdialogs --disable-session-crashed-bubble \\
        --user-data-dir="$PROFILE" "file://$PAGE"
      return
    fi
  done
  if command -v firefox >/dev/null 2>&1; then
    mkdir -p "$PROFILE"
    firefox --kiosk --profile "$PROFILE" "file://$PAGE"
    return
  fi
  echo "No browser found. Install chromium or firefox." >&2
  exit 1
}}

# The screen stays on
if [ -n "$DISPLAY" ] && command -v xset >/dev/null 2>&1; then xset s off -dpms; fi
while :; do
  until answers; do sleep 2; done
  show
  sleep 2
done
"""
PAGE = """<!DOCTYPE html>
<meta charset="utf-8">
<meta http-equiv="refresh" content="0; url={link}">
<title>Benchweather</title>
"""
"""Leads to the board; a link with a code is not seen among the running commands."""
ENTRY = """[Desktop Entry]
Type=Application
Name=Benchweather wall page
Comment=Shows the shop's air, what is in clamps and what is coming
Exec={command}
Terminal=false
X-GNOME-Autostart-enabled=true
"""


def write(folder: Path, link: str) -> list[Path]:
    """Write the start-up files into a folder, for their owner only: script, page, desktop entry."""
    folder.mkdir(parents=True, exist_ok=True)
    folder = folder.resolve()
    script, page, entry = (folder / f"{NAME}{end}" for end in (".sh", ".html", ".desktop"))
    parts = urlsplit(link)
    texts = {
        script: SCRIPT.format(
            here=shlex.quote(f"{parts.scheme}://{parts.netloc}/here"), page=shlex.quote(str(page))
        ),
        page: PAGE.format(link=escape(link)),
        entry: ENTRY.format(command=_quoted(str(script))),
    }
    for path, text in texts.items():
        path.unlink(missing_ok=True)
        mode = 0o700 if path == script else 0o600
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(text)
    return list(texts)


def _quoted(path: str) -> str:
    """A path as an argument of `Exec`, by the freedesktop.org Desktop Entry Specification."""
    for mark in ("\\", '"', "`", "$"):
        path = path.replace(mark, f"\\{mark}")
    return f'"{path}"'.replace("\\", "\\\\").replace("%", "%%")
