"""One document over HTTP from a real server on loopback, which misbehaves in every way we know."""

from __future__ import annotations

import base64
import gzip
import ssl
import subprocess
import time

import pytest
from conftest import free_port, needs
from weather_server import NOW, SECRET, Reply, WeatherServer, as_json, zipped

from monitor.outlook.weather import http
from monitor.outlook.weather.http import NotFetched, Validators

AGENT = "Benchweather/0 (bench@quillon.example)"


@pytest.fixture
def server():
    with WeatherServer().open() as opened:
        yield opened


def get(server, path="/x", **more):
    return http.get(server.url + path, user_agent=AGENT, **more)


def fails(server, path="/x", **more):
    with pytest.raises(NotFetched) as caught:
        get(server, path, **more)
    assert SECRET not in str(caught.value)
    assert str(server.server.server_port) not in str(caught.value)
    return caught.value


def test_a_document_is_fetched_and_who_asks_is_told(server):
    server.answers(as_json({"a": 1}))
    answer = get(server, headers={"X-Key": SECRET})
    assert (answer.body, answer.sent_ms) == (b'{"a": 1}', NOW - NOW % 1000)
    asked = server.asks[0].headers
    assert (asked["User-Agent"], asked["X-Key"]) == (AGENT, SECRET)
    assert "gzip" in asked["Accept-Encoding"]
    assert "If-None-Match" not in asked


def test_a_packed_document_is_unpacked(server):
    server.answers(zipped({"a": [1.5] * 500}))
    assert get(server).body == b'{"a": [' + b", ".join([b"1.5"] * 500) + b"]}"


def test_an_unchanged_document_is_asked_for_by_what_the_server_said(server):
    tag, when = '"abc"', "Sat, 10 Jan 2026 13:04:26 GMT"
    told = {"ETag": tag, "Last-Modified": when, "Expires": "Sat, 10 Jan 2026 13:35:00 GMT"}
    unchanged = Reply(status=304, headers={"Cache-Control": "max-age=900"})
    server.answers(as_json({}, headers=told), unchanged)
    first = get(server)
    assert first.validators == (tag, when)
    assert first.good_for_s == 1800  # by the server's own Date, 13:05:00
    again = get(server, validators=first.validators)
    assert (again.body, again.good_for_s, again.validators) == (None, 900, first.validators)
    asked = server.asks[1].headers
    assert (asked["If-None-Match"], asked["If-Modified-Since"]) == (tag, when)


@pytest.mark.parametrize(
    ("headers", "good_for_s"),
    [
        ({}, 0),
        ({"Cache-Control": "public, max-age=600", "Age": "100"}, 500),
        (
            {
                "Cache-Control": "s-maxage=5, Max-Age=60",
                "Expires": "Sat, 10 Jan 2026 15:00:00 GMT",
            },
            60,
        ),
        ({"Expires": "0"}, 0),
        ({"Expires": "Fri, 09 Jan 2026 13:00:00 GMT"}, 0),
        ({"Expires": "Sat, 10 Jan 2026 15:05:00 GMT", "Date": "nonsense"}, 0),
    ],
)
def test_how_long_an_answer_is_good_is_the_servers_word(server, headers, good_for_s):
    server.answers(as_json({}, headers=headers))
    assert get(server).good_for_s == good_for_s


def test_a_way_to_ask_that_will_end_is_told(server):
    server.answers(as_json({}, status=203))
    assert get(server).deprecated


@pytest.mark.parametrize(
    ("status", "retryable"),
    [
        (400, False),
        (401, False),
        (403, False),
        (404, False),
        (410, False),
        (408, True),
        (429, True),
        (500, True),
        (502, True),
        (503, True),
        (520, True),
        (304, False),
    ],
)
def test_an_error_says_whether_another_try_may_help(server, status, retryable):
    server.answers(Reply(b"<h1>no</h1>", status))
    error = fails(server)
    assert error.retryable is retryable
    assert str(status) in str(error)


@pytest.mark.parametrize(
    ("said", "retry_after_s"),
    [("120", 120), ("Sat, 10 Jan 2026 13:15:00 GMT", 600), ("soon", None), ("", None)],
)
def test_how_long_to_leave_it_alone_is_the_servers_word(server, said, retry_after_s):
    server.answers(Reply(status=429, headers={"Retry-After": said}))
    assert fails(server).retry_after_s == retry_after_s


BROKEN_OFF = {"plain": b'{"a": 1234567890}', "packed": gzip.compress(b'{"a": 1234567890}')}


@pytest.mark.parametrize("body", BROKEN_OFF.values(), ids=BROKEN_OFF)
def test_an_answer_that_breaks_off_is_no_answer(server, body):
    packed = {"Content-Encoding": "gzip"} if body[:1] == b"\x1f" else {}
    server.answers(Reply(body, headers=packed, how="cut"))
    assert "is incomplete" in str(fails(server))


def test_a_packed_answer_that_is_whole_in_bytes_and_breaks_off_inside_is_no_answer(server):
    server.answers(
        Reply(gzip.compress(b'{"a": 12345}' * 99)[:-9], headers={"Content-Encoding": "gzip"})
    )
    assert "is incomplete" in str(fails(server))


def test_an_answer_that_only_says_it_is_packed_is_no_answer(server):
    server.answers(Reply(b"{}", headers={"Content-Encoding": "gzip"}))
    assert "not valid gzip" in str(fails(server))
    server.answers(Reply(b"{}", headers={"Content-Encoding": "br"}))
    assert "packs its answer by 'br'" in str(fails(server))


def test_chunks_that_break_off_are_no_answer(server):
    server.answers(Reply(b"5\r\nabcde\r\n5\r\nab", headers={"Transfer-Encoding": "chunked"}))
    assert "is incomplete" in str(fails(server))


def test_a_document_that_is_too_large_is_not_taken_packed_or_not(server):
    server.answers(Reply(b"x" * 20_000), zipped("x" * 1_000_000))
    for _ in range(2):
        assert "a larger answer is rejected" in str(fails(server, most_bytes=10_000))


@pytest.mark.slow
@pytest.mark.parametrize("how", ["drip", "silent"])
def test_a_server_that_takes_for_ever_is_left(server, how):
    server.answers(Reply(b"x" * 1200, how=how))  # it would take a minute
    began = time.monotonic()
    assert "no complete answer within 0.5 s" in str(fails(server, most_s=0.5))
    assert time.monotonic() - began < 30


def test_where_nothing_listens_is_an_error_that_may_pass():
    with pytest.raises(NotFetched, match="no answer") as caught:
        http.get(f"http://127.0.0.1:{free_port()}/", user_agent=AGENT)
    assert caught.value.retryable


def test_a_redirect_to_plain_http_is_refused(server):
    server.answers(Reply(status=302, headers={"Location": f"{server.url}/elsewhere"}))
    assert "not https" in str(fails(server))
    assert server.paths == ["/x"]


@pytest.fixture
def certificate(tmp_path):
    pem = tmp_path / "server.pem"
    subprocess.run(
        [
            needs("openssl", "openssl"),
            "req",
            "-x509",
            "-newkey",
            "rsa:2048",
            "-nodes",
            "-days",
            "2",
            "-keyout",
            str(pem),
            "-out",
            str(tmp_path / "cert.pem"),
            "-subj",
            "/CN=127.0.0.1",
            "-addext",
            "subjectAltName=IP:127.0.0.1",
        ],
        check=True,
        capture_output=True,
    )
    pem.write_bytes(pem.read_bytes() + (tmp_path / "cert.pem").read_bytes())
    return pem


def test_a_redirect_to_https_is_followed_without_the_key(server, certificate):
    with WeatherServer().open(certificate) as safe:
        safe.answers(as_json({"safe": True}))
        server.answers(Reply(status=301, headers={"Location": f"{safe.url}/there"}))
        trust = ssl.create_default_context(cafile=certificate)
        answer = get(server, headers={"X-Key": SECRET}, trust=trust, validators=Validators('"a"'))
        assert answer.body == b'{"safe": true}'
        assert (safe.asks[0].headers["User-Agent"], safe.paths) == (AGENT, ["/there"])
        assert SECRET not in str(safe.asks[0])


def test_a_server_that_redirects_for_ever_is_left(certificate):
    with WeatherServer().open(certificate) as safe:
        safe.answers(Reply(status=302, headers={"Location": "/round"}))
        trust = ssl.create_default_context(cafile=certificate)
        assert not fails(safe, headers={"X-Key": SECRET}, trust=trust).retryable
        assert safe.paths == ["/x", *["/round"] * http.REDIRECTS_MAX]
        assert [SECRET in str(ask) for ask in safe.asks] == [True, *[False] * http.REDIRECTS_MAX]


@pytest.fixture
def proxied(server, monkeypatch):
    """The server as the system's proxy, which wants to know who asks."""
    for name in ("no_proxy", "NO_PROXY", "HTTP_PROXY", "all_proxy", "ALL_PROXY"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("http_proxy", server.url.replace("//", "//bench:s%40w@"))
    return server


def test_the_systems_proxy_is_used_and_signed_in_to(proxied):
    proxied.answers(as_json({"a": 1}))
    answer = http.get("http://weather.quillon.example/x?at=1", user_agent=AGENT)
    assert answer.body == b'{"a": 1}'
    (asked,) = proxied.asks
    assert asked.path == "http://weather.quillon.example/x?at=1"
    given = {name.lower(): value for name, value in asked.headers.items()}
    assert base64.b64decode(given["proxy-authorization"].removeprefix("Basic ")) == b"bench:s@w"


def test_this_machine_is_asked_without_the_proxy(proxied):
    with WeatherServer().open() as other:
        other.answers(as_json({}))
        assert get(other).body == b"{}"
        assert (other.paths, proxied.asks) == (["/x"], [])


def test_a_host_that_the_system_excepts_is_asked_without_the_proxy(proxied, monkeypatch):
    monkeypatch.setenv("no_proxy", "quillon.example")
    with pytest.raises(NotFetched, match="no answer"):  # names of .example never resolve
        http.get("http://weather.quillon.example/x", user_agent=AGENT, most_s=20)
    assert proxied.asks == []


@pytest.mark.parametrize("url", ["ftp://127.0.0.1/x", "file:///etc/hosts"])
def test_only_http_and_https_are_asked(url):
    with pytest.raises(NotFetched):
        http.get(url, user_agent=AGENT)


@pytest.mark.slow
def test_a_certificate_that_is_not_trusted_ends_it(certificate):
    with WeatherServer().open(certificate) as safe:
        safe.answers(as_json({}))
        assert "certificate is not trusted" in str(fails(safe))
        assert safe.asks == []
