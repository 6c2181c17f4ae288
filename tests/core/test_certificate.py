"""A server's certificate: what is refused and why, and how a renewal is taken up."""

from __future__ import annotations

import shutil
import subprocess

import pytest
from certificates import make_certificate
from conftest import needs

from monitor.core.certificate import (
    CertificateFault,
    WatchedCertificate,
    load_certificate,
    readable_by_others,
)

pytestmark = [pytest.mark.slow, pytest.mark.real_clock]


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with certificates and keys, good and bad."""
    folder = tmp_path_factory.mktemp("certificates")
    openssl = needs("openssl", "openssl")
    make_certificate(folder)
    make_certificate(folder, "other", bits="rsa:2048")
    make_certificate(folder, "old", days=-1)
    make_certificate(folder, "short", bits="rsa:1024")
    secret = [
        "rsa",
        "-aes256",
        "-passout",
        "pass:violin",
        "-in",
        "board.key",
        "-out",
        "secret.key",
    ]
    subprocess.run([openssl, *secret], cwd=folder, check=True, capture_output=True)
    (folder / "words.pem").write_text("no certificate\n")
    return folder


def test_a_good_pair_says_its_names_and_its_end(made):
    found = load_certificate(made / "board.pem", made / "board.key")
    assert found.names == ("localhost", "bench.test", "127.0.0.1")
    assert found.expires.tzinfo is not None
    assert not readable_by_others(made / "board.key")
    (made / "board.key").chmod(0o640)
    assert readable_by_others(made / "board.key")
    (made / "board.key").chmod(0o600)


@pytest.mark.parametrize(
    ("cert", "key", "why"),
    [
        ("none.pem", "board.key", "none.pem: No such file"),
        ("board.pem", "none.key", "none.key: No such file"),
        ("board.pem", "other.key", "other.key: is not the key of "),
        ("board.pem", "secret.key", "secret.key: has a passphrase"),
        ("old.pem", "old.key", "old.pem: the certificate has expired"),
        ("short.pem", "short.key", "short.pem: its key is too short"),
        ("words.pem", "board.key", "must be a certificate and its private key as PEM"),
        ("board.key", "board.pem", "must be a certificate and its private key as PEM"),
    ],
)
def test_an_unusable_pair_is_refused_with_its_reason(made, cert, key, why):
    with pytest.raises(CertificateFault, match=why):
        load_certificate(made / cert, made / key)


def test_a_renewal_is_taken_up_and_a_bad_one_is_not(made, tmp_path, caplog):
    cert, key = tmp_path / "cert.pem", tmp_path / "key.pem"

    def put(name):
        for source, target in ((f"{name}.pem", cert), (f"{name}.key", key)):
            target.unlink(missing_ok=True)
            shutil.copy(made / source, target)

    put("board")
    watched = WatchedCertificate(cert, key)
    first = watched.current
    watched.renew()
    assert watched.current is first
    shutil.copy(made / "other.pem", cert)  # the key of it is still to come
    watched.renew()
    watched.renew()
    assert watched.current is first
    assert [record.levelname for record in caplog.records] == ["ERROR"]
    assert "is not the key of" in caplog.text
    shutil.copy(made / "other.key", key)
    watched.renew()
    assert watched.current is not first
    second = watched.current
    put("old")
    watched.renew()
    cert.unlink()
    watched.renew()
    assert watched.current is second
