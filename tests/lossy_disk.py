"""A real block device whose every write and flush is logged, so that a power cut can be made after
any of them: what was not flushed is lost, torn or out of order, as on a disk with a cache.

A FUSE server (the protocol itself, no library) offers one file; a loop device on it carries a real
file system, on which any program runs. Linux and root only.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import mmap
import os
import random
import shutil
import struct
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

SECTOR, PAGE = 512, 4096
"""Units that a disk writes whole. [bytes]"""
WRITE_MAX = 131_072
FLUSH = (1 << 63) - 1
"""Offset that marks a flush in the log."""
_ENTRY = struct.Struct("=QI")
_IN, _OUT = struct.Struct("=IIQQIIII"), struct.Struct("=IiQ")
_INIT, _GETATTR, _SETATTR, _OPEN, _READ, _WRITE = 26, 3, 4, 14, 15, 16
_RELEASE, _FSYNC, _FLUSH = 18, 20, 25
_SILENT = (2, 36, 42)
"""Messages that have no answer: forget, interrupt, batch forget."""
MODES = ("nothing", "everything", "in order", "any", "torn at 512", "torn at 4096")
"""Fate of the writes after the last flush: lost, all kept, the first few kept in order, any of them
kept, any 512- or 4096-byte part of any of them kept."""


def missing() -> str:
    """Reason why there can be no such disk here; empty if there can."""
    if sys.platform != "linux" or os.geteuid() != 0:
        return "it needs Linux and root"
    if not all(Path(name).exists() for name in ("/dev/fuse", "/dev/loop-control")):
        return "it needs /dev/fuse and loop devices"
    wanted = ("mkfs.ext4", "losetup", "mount", "umount")
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
    lacking = [name for name in wanted if not shutil.which(name, path=path)]
    return f"it needs {', '.join(lacking)}" if lacking else ""


def _run(*command: str | Path) -> str:
    path = f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"
    done = subprocess.run(
        [str(part) for part in command],
        capture_output=True,
        text=True,
        env=os.environ | {"PATH": path},
    )
    assert done.returncode == 0, f"{command}: {done.stderr}"
    return done.stdout.strip()


def _umount(folder: Path) -> None:
    """Unmount; processes that were killed may take a moment to be gone."""
    for _ in range(100):
        with contextlib.suppress(AssertionError):
            _run("umount", folder)
            return
        time.sleep(0.1)
    _run("umount", folder)


def _mount(source: str, target: Path, kind: str, options: str) -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.mount(source.encode(), str(target).encode(), kind.encode(), 0, options.encode()):
        code = ctypes.get_errno()
        raise OSError(code, f"mount {target}: {os.strerror(code)}")


class _Server:
    """Answers the kernel for the one file, and logs what it writes and flushes."""

    def __init__(self, image: Path, log: Path, counter: Path, target: Path) -> None:
        self._size = image.stat().st_size
        self._file = os.open(image, os.O_RDWR)
        self._log = log.open("ab", buffering=0)
        with counter.open("r+b") as file:
            self._counter = mmap.mmap(file.fileno(), 8)
        self._position = 0
        self._door = os.open("/dev/fuse", os.O_RDWR)
        options = f"fd={self._door},rootmode=100600,user_id=0,group_id=0"
        _mount("lossy", target, "fuse.lossy", options)

    def serve(self) -> None:
        while True:
            try:
                asked = os.read(self._door, WRITE_MAX + 8192)
            except OSError as exc:
                if exc.errno == errno.ENODEV:  # unmounted
                    return
                if exc.errno in (errno.EINTR, errno.ENOENT):
                    continue
                raise
            _, code, unique, *_ = _IN.unpack_from(asked)
            if code in _SILENT:
                continue
            answer = self._answer(code, asked)
            fault, body = (-answer, b"") if isinstance(answer, int) else (0, answer)
            with contextlib.suppress(FileNotFoundError):  # the question was withdrawn
                os.write(self._door, _OUT.pack(_OUT.size + len(body), fault, unique) + body)

    def _answer(self, code: int, asked: bytes) -> bytes | int:
        at = _IN.size
        match code:
            case 26:
                flags = 1 << 0 | 1 << 5 | 1 << 22
                head = struct.pack("=IIIIHHII", 7, 31, 131_072, flags, 12, 9, WRITE_MAX, 1)
                return (head + struct.pack("=HH", WRITE_MAX // PAGE, 0)).ljust(64, b"\0")
            case 3 | 4:
                blocks = self._size // SECTOR
                attr = struct.pack(
                    "=QQQQQQIIIIIIIIII",
                    1,
                    self._size,
                    blocks,
                    *3 * (0,),
                    *3 * (0,),
                    0o100600,
                    1,
                    0,
                    0,
                    0,
                    PAGE,
                    0,
                )
                return struct.pack("=QII", 3600, 0, 0) + attr
            case 14:
                return struct.pack("=QII", 0, 1 << 1, 0)
            case 15:
                _, offset, size = struct.unpack_from("=QQI", asked, at)
                return os.pread(self._file, size, offset)
            case 16:
                _, offset, size = struct.unpack_from("=QQI", asked, at)
                data = asked[at + 40 : at + 40 + size]
                self._note(offset, data)
                os.pwrite(self._file, data, offset)
                return struct.pack("=II", size, 0)
            case 20:
                self._note(FLUSH, b"")
                return b""
            case 18 | 25:
                return b""
            case 17:
                return struct.pack("=QQQQQIII", 0, 0, 0, 0, 0, PAGE, 255, PAGE).ljust(80, b"\0")
        return errno.ENOSYS

    def _note(self, offset: int, data: bytes) -> None:
        self._log.write(_ENTRY.pack(offset, len(data)) + data)
        self._position += 1
        self._counter[:8] = struct.pack("=Q", self._position)


class LossyDisk:
    """The disk while it is mounted at `folder`; `work` holds its image and log, best in memory."""

    def __init__(self, work: Path, folder: Path, *, size_mb: int = 256) -> None:
        self.work, self.folder = work, folder
        work.mkdir(parents=True, exist_ok=True)
        folder.mkdir(parents=True, exist_ok=True)
        self.base, self._live = work / "base.img", work / "live.img"
        self._log, self._counter, self._file = work / "log", work / "counter", work / "disk"
        with self.base.open("wb") as file:
            file.truncate(size_mb << 20)
        _run("mkfs.ext4", "-q", "-F", "-E", "nodiscard,lazy_itable_init=0", self.base)

    def __enter__(self) -> LossyDisk:
        _run("cp", "--sparse=always", self.base, self._live)
        self._log.write_bytes(b"")
        self._counter.write_bytes(bytes(8))
        self._file.touch()
        self._server = subprocess.Popen(
            [sys.executable, __file__, self._live, self._log, self._counter, self._file],
            stdout=subprocess.PIPE,
        )
        assert self._server.stdout is not None
        assert self._server.stdout.readline() == b"mounted\n"
        with self._counter.open("r+b") as file:
            self._seen = mmap.mmap(file.fileno(), 8)
        self._loop = _run("losetup", "-f", "--show", self._file)
        _run("mount", "-t", "ext4", self._loop, self.folder)
        return self

    def __exit__(self, *_: object) -> None:
        _umount(self.folder)
        _run("losetup", "-d", self._loop)
        _umount(self._file)
        self._server.wait(60)
        self._server.stdout.close()
        self._seen.close()

    def position(self) -> int:
        """Number of writes and flushes so far."""
        return int(struct.unpack("=Q", self._seen[:8])[0])


class Cuts:
    """Images of a disk as power cuts at positions of its log leave it."""

    def __init__(self, disk: LossyDisk) -> None:
        self._base, self.work = disk.base, disk.work
        self._log = disk.work / "log"
        self._at: list[tuple[int, int, int]] = []
        with self._log.open("rb") as file:
            while head := file.read(_ENTRY.size):
                offset, size = _ENTRY.unpack(head)
                self._at.append((offset, size, file.tell()))
                file.seek(size, 1)

    def __len__(self) -> int:
        return len(self._at)

    def flushes(self) -> int:
        return sum(offset == FLUSH for offset, _, _ in self._at)

    def image(self, to: Path, position: int, mode: str, seed: int) -> int:
        """Make the image left by a cut after `position` entries; returns the number of writes that
        were not flushed."""
        draw = random.Random(seed)
        entries = self._at[:position]
        flushed = max((i for i, one in enumerate(entries) if one[0] == FLUSH), default=-1)
        _run("cp", "--sparse=always", self._base, to)
        unsynced = entries[flushed + 1 :]
        some = draw.randrange(len(unsynced) + 1)
        with to.open("r+b") as disk, self._log.open("rb") as log:

            def put(offset: int, size: int, at: int, unit: int) -> None:
                log.seek(at)
                data = log.read(size)
                for start in range(0, size, unit):
                    if unit >= size or draw.random() < 0.5:
                        disk.seek(offset + start)
                        disk.write(data[start : start + unit])

            for one in entries[: flushed + 1]:
                if one[0] != FLUSH:
                    put(*one, unit=one[1])
            for i, one in enumerate(unsynced):
                if mode.startswith("torn"):
                    put(*one, unit=int(mode.rpartition(" ")[2]))
                elif (
                    mode == "everything"
                    or (mode == "in order" and i < some)
                    or (mode == "any" and draw.random() < 0.5)
                ):
                    put(*one, unit=one[1])
        return len(unsynced)


@contextlib.contextmanager
def mounted(image: Path, folder: Path) -> Iterator[Path]:
    """The file system of an image, after its own recovery."""
    folder.mkdir(parents=True, exist_ok=True)
    _run("mount", "-o", "loop", "-t", "ext4", image, folder)
    try:
        yield folder
    finally:
        _umount(folder)


if __name__ == "__main__":
    server = _Server(*map(Path, sys.argv[1:]))
    print("mounted", flush=True)
    server.serve()
