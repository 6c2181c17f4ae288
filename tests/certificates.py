"""Certificates made for tests by openssl."""

from __future__ import annotations

import ssl
import subprocess
from pathlib import Path

from conftest import needs


def make_certificate(folder: Path, name: str = "board", *, days: int = 2, bits: str = "rsa:2048"):
    """A self-signed certificate and its key, valid from now for `days`; paths of both."""
    openssl = needs("openssl", "openssl")
    cert, key = folder / f"{name}.pem", folder / f"{name}.key"
    request = ["req", "-new", "-newkey", bits, "-nodes", "-subj", "/CN=bench.test"]
    names = "subjectAltName=DNS:localhost,DNS:bench.test,IP:127.0.0.1"
    for command in (
        [*request, "-addext", names, "-keyout", str(key), "-out", f"{cert}.csr"],
        [
            *["x509", "-req", "-copy_extensions", "copyall"],
            "-in",
            f"{cert}.csr",
            "-days",
            str(days),
        ],
    ):
        command += ["-signkey", str(key), "-out", str(cert)] if command[0] == "x509" else []
        subprocess.run([openssl, *command], cwd=folder, check=True, capture_output=True)
    key.chmod(0o600)
    return cert, key


def trusting(cert: Path) -> ssl.SSLContext:
    """A client that trusts one certificate only."""
    return ssl.create_default_context(cafile=str(cert))
