"""Certificate and key of a TLS server: loaded, tried out, and watched for a renewal."""

from __future__ import annotations

import logging
import os
import ssl
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from monitor.core.errors import MonitorError

log = logging.getLogger(__name__)

EXPIRES_SOON_S = 14 * 86_400
"""Time before its end in which a certificate is called due for renewal. [s]"""
_EXPIRED, _NOT_YET = 10, 9  # X509_V_ERR_CERT_HAS_EXPIRED, X509_V_ERR_CERT_NOT_YET_VALID


class CertificateFault(MonitorError):
    """Unusable certificate or key; the message names the file and the reason."""


class Certificate(NamedTuple):
    """A certificate that a server can use with its key."""

    context: ssl.SSLContext
    names: tuple[str, ...]
    expires: datetime


def load_certificate(cert_file: Path, key_file: Path) -> Certificate:
    """Load a certificate with its key and try them out in a handshake in memory.

    Raises
    ------
    CertificateFault
        If a file is missing, unreadable or not PEM, the key has a passphrase or belongs to another
        certificate, or the certificate is not valid now.
    """
    for path in (cert_file, key_file):
        try:
            path.read_bytes()
        except OSError as exc:
            raise CertificateFault(f"{path}: {exc.strerror or exc}") from exc
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    context.options |= ssl.OP_NO_COMPRESSION | ssl.OP_NO_RENEGOTIATION
    try:
        context.load_cert_chain(cert_file, key_file, password=_no_passphrase)
    except _Passphrase:
        raise CertificateFault(
            f"{key_file}: has a passphrase; store the key without one"
        ) from None
    except ssl.SSLError as exc:
        if exc.reason == "KEY_VALUES_MISMATCH":
            raise CertificateFault(f"{key_file}: is not the key of {cert_file}") from exc
        if exc.reason == "EE_KEY_TOO_SMALL":
            raise CertificateFault(
                f"{cert_file}: its key is too short; use 2048 bits or more, or P-256"
            ) from exc
        raise CertificateFault(
            f"{cert_file} and {key_file}: must be a certificate and its private key as PEM files"
        ) from exc
    found = _tried(context, cert_file)
    ends = ssl.cert_time_to_seconds(str(found["notAfter"]))
    names = tuple(str(pair[1]) for pair in found.get("subjectAltName", ()))
    return Certificate(context, names, datetime.fromtimestamp(ends, UTC))


def readable_by_others(key_file: Path) -> bool:
    """True if other users of this machine can read a key."""
    return os.name == "posix" and bool(key_file.stat().st_mode & 0o077)


class WatchedCertificate:
    """Certificate of a running server, loaded again after its files have changed.

    A renewed pair that cannot be used is reported once; the old one stays in use.
    """

    def __init__(self, cert_file: Path, key_file: Path) -> None:
        self._files = (cert_file, key_file)
        self._seen = self._state()
        self.current = load_certificate(cert_file, key_file)

    def renew(self) -> None:
        """Load the files if they have changed since the last look."""
        state = self._state()
        if state == self._seen:
            return
        self._seen = state
        try:
            self.current = load_certificate(*self._files)
        except CertificateFault as exc:
            log.error("renewed certificate not used; the old one stays reason=%s", exc)
        else:
            log.info("certificate renewed expires=%s", f"{self.current.expires:%Y-%m-%d}")

    def _state(self) -> tuple[object, ...]:
        """Marks of the files that change with their content."""
        found: list[object] = []
        for path in self._files:
            try:
                stat = path.stat()
            except OSError:
                found.append(None)
            else:
                found.append((stat.st_ino, stat.st_mtime_ns, stat.st_size))
        return tuple(found)


class _Passphrase(Exception):
    """The key asks for a passphrase."""


def _no_passphrase() -> str:
    raise _Passphrase


def _tried(server_context: ssl.SSLContext, cert_file: Path) -> Mapping[str, Any]:
    """The certificate as a client sees it that trusts only this certificate."""
    client_context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    client_context.check_hostname = False
    client_context.verify_flags |= ssl.VERIFY_X509_PARTIAL_CHAIN
    to_server, to_client = ssl.MemoryBIO(), ssl.MemoryBIO()
    try:
        client_context.load_verify_locations(cert_file)
        client = client_context.wrap_bio(to_client, to_server)
        server = server_context.wrap_bio(to_server, to_client, server_side=True)
        ended = False
        while not ended:
            ended = all([_step(client), _step(server)])
        return client.getpeercert() or {}
    except ssl.SSLCertVerificationError as exc:
        if exc.verify_code in (_EXPIRED, _NOT_YET):
            state = "has expired" if exc.verify_code == _EXPIRED else "is not valid yet"
            raise CertificateFault(f"{cert_file}: the certificate {state}") from exc
        raise CertificateFault(f"{cert_file}: {exc.verify_message}") from exc
    except (ssl.SSLError, ValueError) as exc:
        raise CertificateFault(f"{cert_file}: no handshake with it succeeds ({exc})") from exc


def _step(side: ssl.SSLObject) -> bool:
    """Carry a handshake on; True once it is complete."""
    try:
        side.do_handshake()
    except ssl.SSLWantReadError:
        return False
    return True
