"""Encryption with a passphrase, as a stream: the open file format age, version 1.

The key comes from the passphrase by scrypt. Blocks of 64 KiB are each encrypted and authenticated, and
the last one is marked, so that a changed, cut or lengthened file is refused. Other programs for age
files open these too.

References
----------
Filippo Valsorda, "The age file encryption format", https://age-encryption.org/v1 (C2SP).
From memory; the tests open each other's files with an independent library.
"""

from __future__ import annotations

import base64
import binascii
import hmac
import os
import re
from typing import BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import ChaCha20Poly1305
from cryptography.hazmat.primitives.hashes import SHA256
from cryptography.hazmat.primitives.kdf.hkdf import HKDF
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from monitor.core.errors import MonitorError

FIRST_LINE = b"age-encryption.org/v1\n"
"""First line of each such file."""
BLOCK, TAG = 65_536, 16
"""Size of a block and of its tag. [bytes]"""
WORK, WORK_MAX = 17, 18
"""Logarithm of scrypt's cost: of ours, which takes 128 MB, and the highest that is read."""
_HEADER_MAX = 400
_KEY, _FILE_KEY, _NONCE, _SALT = 32, 16, 16, 16
_LABEL = b"age-encryption.org/v1/scrypt"
_HEADER = re.compile(
    rb"-> scrypt ([A-Za-z0-9+/]{22}) ([1-9][0-9]?)\n([A-Za-z0-9+/]{43})\n--- ([A-Za-z0-9+/]{43})\n"
)


class NotOpened(MonitorError, ValueError):
    """An encrypted file cannot be read: the passphrase is wrong, or the file was changed."""


class Sealer:
    """Writes an encrypted file; `close` writes its last block and leaves `file` open."""

    def __init__(self, file: BinaryIO, passphrase: str) -> None:
        self._file, self._pending, self._number = file, bytearray(), 0
        key, salt, nonce = os.urandom(_FILE_KEY), os.urandom(_SALT), os.urandom(_NONCE)
        wrapped = ChaCha20Poly1305(_wrapping(passphrase, salt, WORK)).encrypt(bytes(12), key, None)
        head = FIRST_LINE + b"-> scrypt %s %d\n%s\n---" % (_text(salt), WORK, _text(wrapped))
        file.write(head + b" " + _text(_mac(key, head)) + b"\n" + nonce)
        self._cipher = ChaCha20Poly1305(_derived(key, nonce, b"payload"))

    def write(self, data: bytes) -> int:
        """Encrypt and write; up to a block is kept back."""
        self._pending += data
        while len(self._pending) > BLOCK:
            self._put(bytes(self._pending[:BLOCK]), last=False)
            del self._pending[:BLOCK]
        return len(data)

    def flush(self) -> None:
        """Do nothing: a block is written when it is full."""

    def close(self) -> None:
        self._put(bytes(self._pending), last=True)

    def _put(self, block: bytes, *, last: bool) -> None:
        self._file.write(self._cipher.encrypt(_block_nonce(self._number, last=last), block, None))
        self._number += 1


class Opener:
    """Reads an encrypted file from behind its first line; nothing that was changed is returned.

    Raises
    ------
    NotOpened
        If the passphrase is wrong, or the file was changed, cut or lengthened.
    """

    def __init__(self, file: BinaryIO, passphrase: str) -> None:
        self._file, self._number, self._ready, self._over = file, 0, b"", False
        head = b""
        while head.count(b"\n") < 3 and len(head) < _HEADER_MAX:
            line = file.readline(_HEADER_MAX)
            if not line:
                break
            head += line
        found = _HEADER.fullmatch(head)
        if found is None:
            raise NotOpened("it is not encrypted with a passphrase, or its beginning was changed")
        salt, work, wrapped, mac = found.groups()
        if int(work) > WORK_MAX:
            raise NotOpened(
                f"its key needs scrypt with 2^{int(work)}: must be at most 2^{WORK_MAX}"
            )
        try:
            wrapping = ChaCha20Poly1305(_wrapping(passphrase, _bytes(salt), int(work)))
            key = wrapping.decrypt(bytes(12), _bytes(wrapped), None)
        except (InvalidTag, binascii.Error):
            raise NotOpened(
                "the passphrase is wrong, or the beginning of the file was changed"
            ) from None
        signed = FIRST_LINE + head[: head.rindex(b" ")]
        if not hmac.compare_digest(_text(_mac(key, signed)), mac):
            raise NotOpened("the beginning of the file was changed")
        nonce = file.read(_NONCE)
        if len(nonce) < _NONCE:
            raise NotOpened("the file was cut short")
        self._cipher = ChaCha20Poly1305(_derived(key, nonce, b"payload"))
        self._ahead = file.read(BLOCK + TAG)

    def read(self, size: int = -1) -> bytes:
        """Read up to `size` bytes; nothing at the end, which is then known to be the true one."""
        while not (self._ready or self._over):
            self._next()
        size = len(self._ready) if size < 0 else size
        data, self._ready = self._ready[:size], self._ready[size:]
        return data

    def _next(self) -> None:
        block, self._ahead = self._ahead, self._file.read(BLOCK + TAG)
        last = not self._ahead
        where = f"at about {self._number * BLOCK / 1e6:.1f} MB"
        try:
            self._ready = self._cipher.decrypt(_block_nonce(self._number, last=last), block, None)
        except InvalidTag:
            raise NotOpened(f"the file was changed or cut short {where}") from None
        if last and not self._ready and self._number:
            raise NotOpened(f"the file was changed {where}")
        self._number, self._over = self._number + 1, last


def _block_nonce(number: int, *, last: bool) -> bytes:
    return number.to_bytes(11) + (b"\1" if last else b"\0")


def _wrapping(passphrase: str, salt: bytes, work: int) -> bytes:
    return Scrypt(_LABEL + salt, _KEY, n=2**work, r=8, p=1).derive(passphrase.encode())


def _derived(key: bytes, salt: bytes, info: bytes) -> bytes:
    return HKDF(SHA256(), _KEY, salt, info).derive(key)


def _mac(key: bytes, head: bytes) -> bytes:
    return hmac.digest(_derived(key, b"", b"header"), head, "sha256")


def _text(data: bytes) -> bytes:
    return base64.b64encode(data).rstrip(b"=")


def _bytes(text: bytes) -> bytes:
    data = base64.b64decode(text + b"=" * (-len(text) % 4), validate=True)
    if _text(data) != text:  # one way to write each key
        raise binascii.Error
    return data
