"""Encrypted files: another library opens them, and no changed byte passes."""

from __future__ import annotations

import io

import pyrage
import pytest

from monitor.backup.sealed import BLOCK, FIRST_LINE, NotOpened, Opener, Sealer

PASSPHRASE = "bridge, näck, scroll"


@pytest.fixture(autouse=True)
def _quick(monkeypatch):
    monkeypatch.setattr("monitor.backup.sealed.WORK", 4)


def sealed(data: bytes, step: int = 7_000) -> bytes:
    file = io.BytesIO()
    sealer = Sealer(file, PASSPHRASE)
    for begin in range(0, len(data), step):
        assert sealer.write(data[begin : begin + step]) == len(data[begin : begin + step])
    sealer.close()
    return file.getvalue()


def opened(content: bytes, passphrase: str = PASSPHRASE) -> bytes:
    file = io.BytesIO(content)
    assert file.read(len(FIRST_LINE)) == FIRST_LINE
    opener, found = Opener(file, passphrase), b""
    while data := opener.read(5_000):
        assert len(data) <= 5_000
        found += data
    return found


@pytest.mark.parametrize("size", [0, 1, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK, 150_000])
def test_what_was_sealed_opens_here_and_with_an_independent_library(size):
    data = bytes(i * i % 251 for i in range(size))
    content = sealed(data)
    assert opened(content) == data
    assert pyrage.passphrase.decrypt(content, PASSPHRASE) == data  # its makers wrote the format
    assert size < 50 or data[:50] not in content


def test_the_same_content_is_never_sealed_the_same_way():
    assert sealed(b"x") != sealed(b"x")


def test_a_wrong_passphrase_is_refused_in_words():
    with pytest.raises(NotOpened, match="the passphrase is wrong, or the beginning"):
        opened(sealed(b"readings"), "bridge, neck, scroll")


def test_each_changed_byte_is_refused():
    content = sealed(bytes(300))
    for i in range(len(FIRST_LINE), len(content)):
        changed = bytearray(content)
        changed[i] ^= 1
        with pytest.raises(NotOpened):
            opened(bytes(changed))


def test_a_file_that_was_cut_or_lengthened_is_refused():
    content = sealed(bytes(2 * BLOCK + 100))
    head = len(content) - (2 * BLOCK + 100 + 3 * 16)
    ends = [len(FIRST_LINE), head - 20, head - 1, head, head + 5, head + BLOCK + 16]
    ends += [head + 2 * (BLOCK + 16), len(content) - 1]
    for end in ends:
        with pytest.raises(NotOpened):
            opened(content[:end])
    with pytest.raises(NotOpened, match=r"changed or cut short at about 0\.1 MB"):
        opened(content + b"\0")
    blocks = content[:head], content[head : head + BLOCK + 16], content[head + BLOCK + 16 :]
    with pytest.raises(NotOpened):
        opened(blocks[0] + blocks[1] + blocks[1] + blocks[2])


def test_a_key_that_would_take_all_memory_is_refused():
    content = sealed(b"x").replace(b" 4\n", b" 30\n")
    with pytest.raises(NotOpened, match=r"2\^30: must be at most 2\^18"):
        opened(content)
