"""Files of a data folder that a backup has, and those that it leaves out, with the reason."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from monitor import settings as settings_module

if TYPE_CHECKING:
    from monitor.settings import Settings

STORE, PEOPLE = "readings.sqlite3", "people.sqlite3"
DATABASES = {STORE: "monitor.store.migrations", PEOPLE: "monitor.people.migrations"}
"""Databases of a data folder, each with the package of its schema's steps."""
FILES = (
    settings_module.FILE_NAME,
    "secrets.json",
    "phones.json",
    "push-key.pem",
    "broker-accounts.json",
    "broker-keys.json",
    settings_module.DEMO_MARK,
    "demo-start.json",
)
"""Single files that nobody can make again: settings, keys, accounts, phones, marks of the demo."""
OUTLOOK, KINDS = "outlook", ("issuedoutlooks", "learnedplace")
"""Folder of the outlooks, and the kinds of its files that cannot be made again, or not quickly."""
FOLDERS = {
    "settings-versions": r"[0-9a-f]{24}\.toml",
    OUTLOOK: rf"[^/\\\0]+\.({'|'.join(KINDS)})\.npz",
}
"""Folders of which a backup has files, with a pattern of their names."""


def belongs(name: str) -> bool:
    """Return whether a backup may have a file of this name, by its path in the data folder."""
    folder, _, rest = name.rpartition("/")
    if not folder:
        return name in DATABASES or name in FILES
    return folder in FOLDERS and re.fullmatch(FOLDERS[folder], rest) is not None


def chosen(settings: Settings) -> Iterator[tuple[str, Path]]:
    """Name and path of each plain file that a backup has, without the databases."""
    for name in FILES:
        path = settings.data / name
        if name == settings_module.FILE_NAME:
            path = settings.config or path
        if path.is_file():
            yield name, path
    for folder in FOLDERS:
        if (settings.data / folder).is_dir():
            for path in sorted((settings.data / folder).iterdir()):
                if path.is_file() and belongs(f"{folder}/{path.name}"):
                    yield f"{folder}/{path.name}", path
