"""Small file systems for tests that fill a disk up."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest


class SmallDisk:
    """A file system of a given size in memory, mounted on a folder."""

    def __init__(self, folder: Path, size_mb: int) -> None:
        self.folder = folder
        folder.mkdir()
        done = subprocess.run(
            ["mount", "-t", "tmpfs", "-o", f"size={size_mb}m", "tmpfs", str(folder)],
            capture_output=True,
            text=True,
        )
        if done.returncode:
            pytest.skip(f"no file system can be mounted, which needs root: {done.stderr}")

    def free(self) -> int:
        """Free space. [bytes]"""
        found = os.statvfs(self.folder)
        return found.f_bavail * found.f_frsize

    def fill(self) -> None:
        """Take all space that is left, to the last byte."""
        with (self.folder / "filler").open("ab", buffering=0) as filler:
            for size in (1 << 20, 4096, 1):
                try:
                    while True:
                        filler.write(b"x" * size)
                except OSError:
                    continue

    def empty(self) -> None:
        """Give the space back."""
        (self.folder / "filler").unlink()

    def unmount(self) -> None:
        subprocess.run(["umount", "-l", str(self.folder)], check=True)
