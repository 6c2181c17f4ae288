"""Malformed requests to every route and callback of the board, from a seed.

`PYTHONPATH=.:tests python tests/board_fuzz.py --count 20000` sends many and prints the counts.
"""

from __future__ import annotations

import argparse
import collections
import contextlib
import copy
import io
import json
import logging
import random
import string
import tempfile
import time
import traceback
from pathlib import Path
from typing import Any, NamedTuple

import dashboard_fixtures as shop_air
from flask.testing import FlaskClient
from werkzeug.test import EnvironBuilder, run_wsgi_app

from dashboard.access import permissions
from monitor.core.clock import now_ms
from monitor.people.board_keys import make_board_keys, open_code
from monitor.store import Writer
from monitor.store.secret_files import FolderFiles

UPDATE = "/_dash-update-component"
SECONDS_MAX = 5.0
"""Most processor time for an answer: the slowest page of the full bench takes a third of it. [s]"""
METHODS = ("GET", "POST", "HEAD", "OPTIONS", "PUT", "DELETE", "PATCH", "TRACE", "PROPFIND", "é")
ODD: tuple[Any, ...] = (
    *(None, True, False, 0, -1, 1, 2**31, 2**53 + 1, 10**400, 0.5, -1e308, float("nan")),
    *(float("inf"), "", " ", "x", "0", "-1", "1e999", "NaN", "null", "\0", "\ud800", "\x1b[2J"),
    *(
        "é" * 3,
        "日本",
        "\u202e",
        "=1+1",
        "../../etc/passwd",
        "%00",
        "%ff",
        "<script>",
        "a" * 20_000,
    ),
    *(
        [],
        {},
        [[]],
        [None],
        {"": None},
        {"id": "a"},
        [1, 2, 3],
        {"a": {"b": {"c": []}}},
        "2026-13-45",
    ),
)
QUERY_ODD = ("", "=", "&&&", "%", "%zz", "%ff%fe", "%00", "a=%F0%28", "a" * 5_000, "a=1&a=2&a[]=3")
BODY_ODD = (
    *(b"", b"{", b"null", b"[]", b"1", b'"x"', b"{}", b"\xff\xfe\x00", b'{"output":', b"NaN"),
    *(b'{"output": "\\ud800"}', b"[" * 50_000, b'{"a":' * 30_000, b"9" * 100_000, b"\0" * 100),
    *(b'{"output": "air.children", "output": 1}', b"a=b&c=%zz", b"\xef\xbb\xbf{}"),
)
HEADERS_ODD = (
    ("Range", "bytes=0-"), ("Range", "bytes=-1"), ("Range", "bytes=99999999999-"),
    ("Range", "bytes=5-1"), ("Range", "bytes=0-0,2-3,-1"), ("Range", "lines=a-b"),
    ("Range", "bytes=" + "0-1," * 2_000), ("If-Modified-Since", "yesterday"),
    ("If-None-Match", '"' * 50), ("If-Range", "\\"), ("Accept-Encoding", "br;q=x,,gzip;q=-1"),
    ("Accept", "*/*;q=a" * 50), ("Accept-Language", "é;;;"), ("Cookie", "=;;benchweather-8050=a.b.c"),
    ("Cookie", "benchweather-8050=" + "a" * 4_000), ("Content-Type", "application/json; charset=x"),
    ("Content-Type", "multipart/form-data"), ("Content-Type", "multipart/form-data; boundary=\xff"),
    ("Content-Type", ""), ("Content-Encoding", "gzip"), ("Content-Length", "-5"),
    ("Content-Length", "x"), ("Content-Length", "1"), ("X-Forwarded-For", "x" * 500),
    ("Referer", "\xff"), ("Origin", "null"), ("Origin", "http://["), ("Host", "localhost:x"),
    ("Host", "[::1"), ("Host", ""), ("Host", "a" * 300), ("Host", "localhost@x"),
    ("Authorization", "Bearer \xff"), ("Authorization", "Basic !!!"), ("Authorization", "Bearer"),
    ("User-Agent", ""),
)  # fmt: skip # several on a line: a table


class Sent(NamedTuple):
    """A request: what it asks, and how."""

    method: str
    path: str
    query: str
    headers: tuple[tuple[str, str], ...]
    body: bytes


class Answer(NamedTuple):
    """Answer to a request, and the faults found in it."""

    status: int
    faults: tuple[str, ...]


TAPS: tuple[dict[str, Any], ...] = (
    {"do": "open", "kind": "cleat", "place": "front-bench", "form": {"instrument": "Viola"}},
    {"about": "wait", "do": "open", "form": {"kind": "cleat", "clamps": "3", "start": "09:00"}},
    {"about": "wait", "do": "correct", "wait": "1", "form": {"start": "09:00", "wanted": "17:00"}},
    {"about": "kind", "do": "change", "kind": "cleat", "form": {"usual_h": "3", "name": "x"}},
    {"about": "instrument", "do": "take_in", "form": {"reference": "Cello", "species": "spruce"}},
    {"about": "alert", "do": "acknowledge", "alert": "1", "form": {}},
    {"about": "alert", "do": "snooze", "alert": "1", "hours": 2},
    {
        "about": "rule",
        "do": "change",
        "rule": "air-dry",
        "form": {"limit": "40", "hold_min": "10"},
    },
    {"about": "reservoir", "do": "filled", "reservoir": "tank", "form": {"level": "50"}},
    {
        "about": "sensor",
        "do": "reference",
        "sensor": "fb-1",
        "form": {"reference": "50", "at": "x"},
    },
    {"about": "aside", "do": "dismiss", "sensor": "fb-1"},
    {"about": "glue", "do": "mix", "form": {"kind": "hide", "amount": "100"}},
    {"about": "proof", "do": "start", "form": {"kind": "coupon"}},
    {"about": "caution", "do": "read", "caution": "glue-heat"},
)


class Fuzz:
    """Requests from a seed, for the routes and callbacks of an app."""

    def __init__(self, app: Any, seed: int) -> None:
        self.rng = random.Random(seed)
        self.callbacks = {
            name: entry for name, entry in app.callback_map.items() if "callback" in entry
        }
        self.routes = [rule.rule for rule in app.server.url_map.iter_rules()]

    def next(self) -> Sent:
        """One more request."""
        kind = self.rng.random()
        if kind < 0.5:
            return self._json(UPDATE, self.update(self.rng.choice(list(self.callbacks))))
        if kind < 0.7:
            return self._json("/bench/do", copy.deepcopy(self.rng.choice(TAPS)))
        return self._route()

    def update(self, name: str) -> dict[str, Any]:
        """A sound request for a callback, with values that a page may send."""
        entry = self.callbacks[name]
        many = name.startswith("..")
        outputs = [
            dict(zip(("id", "property"), one.rpartition(".")[::2], strict=True))
            for one in (name[2:-2].split("...") if many else [name])
        ]
        inputs = [self._property(one) for one in entry["inputs"]]
        named = [one for one in inputs if isinstance(one, dict)]
        changed = [f"{one['id']}.{one['property']}" for one in named[:1]]
        return {
            "output": name,
            "outputs": outputs if many else outputs[0],
            "inputs": inputs,
            "state": [self._property(one) for one in entry["state"]],
            "changedPropIds": self.rng.choice([[], changed]),
        }

    def _property(self, asked: Any) -> Any:
        component, prop = asked["id"], asked["property"]
        if component.startswith("{"):
            one = {k: "a" if isinstance(v, list) else v for k, v in json.loads(component).items()}
            return [{"id": one, "property": prop, "value": self.rng.choice([None, 1])}]
        places = ("front-bench", "varnish-room", "", "none")
        values: dict[str, tuple[Any, ...]] = {
            "n_clicks": (0, 1, 7),
            "n_intervals": (0, 1, 7),
            "pathname": (
                "/",
                "/past",
                "/wood/1",
                "/bench/wait/1",
                "/alerts/rules",
                "/help/air",
                "/x",
            ),
            "search": ("", "?places=front-bench", "?kind=cleat&place=x", "?a=%zz"),
            "relayoutData": (None, {"autosize": True}, {"xaxis.range[0]": 1, "xaxis.range[1]": 2}),
            "value": (None, "", "1", "20.5", "humidity", "day", "x", *places),
            "data": ("", "1", "front-bench"),
            "id": ("help-found",),
        }
        past = ("past", *permissions.PAST_VIEWS)
        stores: dict[str, tuple[Any, ...]] = {
            "coming-place": places,
            "plan-place": places,
            "screen": ({"theme": "day", "width": 900}, None),
            "past-places": ([places[0]], [], None),
            **dict.fromkeys(
                (f"{view}-view" for view in past), ({"places": places[0], "span": "week"}, {})
            ),
            **dict.fromkeys(
                (f"{view}-seen" for view in past),
                ({"earlier": 0, "later": 0, "back": 0, "dates": 0, "drawn": 5}, None),
            ),
            "stay-drawn": ({"screen": None, "changed": "", "at": 5}, None),
            "bench-asked": ({}, {"glue": "", "start": "09:00", "turn": 5}),
            "bench-order": (["cleat"], []),
            "plan-if": ([0.0, 0.0], [1, -5]),
            "client-more": ({}, {"typed": {}, "air": {}}),
            "client-air": ({}, {"air": {}}),
            "client-log": ({}, {"air": {}}),
            "client-made": (None, 5),
            "client-keep": ([], ["keep"]),
        }
        choices = stores.get(component) or values.get(prop, (None, ""))
        return {"id": component, "property": prop, "value": self.rng.choice(choices)}

    def odd(self) -> Any:
        """A value that no page sends."""
        if self.rng.random() < 0.1:
            deep: Any = self.rng.choice(ODD)
            for _ in range(self.rng.choice([20, 40, 300])):
                deep = [deep] if self.rng.random() < 0.5 else {"a": deep}
            return deep
        return copy.deepcopy(self.rng.choice(ODD))

    def mutated(self, value: Any) -> Any:
        """A value with one place in it changed."""
        rng = self.rng
        if isinstance(value, dict) and value and rng.random() < 0.8:
            name = rng.choice(list(value))
            match rng.random():
                case part if part < 0.15:
                    del value[name]
                case part if part < 0.25:
                    value[rng.choice(["", "id", "a" * 300, "\0", "do", "form"])] = self.odd()
                case _:
                    value[name] = self.mutated(value[name])
            return value
        if isinstance(value, list) and value and rng.random() < 0.8:
            at = rng.randrange(len(value))
            match rng.random():
                case part if part < 0.15:
                    del value[at]
                case part if part < 0.3:
                    value.insert(at, value[at])
                case _:
                    value[at] = self.mutated(value[at])
            return value
        if isinstance(value, str) and rng.random() < 0.5:
            return rng.choice([one for one in ODD if isinstance(one, str)])  # odd, but of its type
        return self.odd()

    def _json(self, path: str, body: dict[str, Any]) -> Sent:
        rng = self.rng
        for _ in range(rng.choice([0, 1, 1, 1, 2, 5])):
            body = self.mutated(body)
        content = json.dumps(body).encode()
        if rng.random() < 0.05:
            content = content[: rng.randrange(len(content) + 1)]
        elif rng.random() < 0.05:
            at = rng.randrange(len(content) + 1)
            content = content[:at] + rng.randbytes(3) + content[at:]
        elif rng.random() < 0.05:
            content = rng.choice(BODY_ODD)
        headers = (("Content-Type", "application/json"),)
        if rng.random() < 0.05:
            headers += (rng.choice(HEADERS_ODD),)
        return Sent("POST", path, "", headers, content)

    def _route(self) -> Sent:
        rng = self.rng
        parts = []
        for part in rng.choice(self.routes).split("/"):
            named = part.find("<")
            if named < 0:
                parts.append(part)
            else:
                parts.append(part[:named] + self._word() + part.partition(">")[2])
        path = "/".join(parts)
        if rng.random() < 0.2:
            path += rng.choice(
                ["/", "//", "/..", "/%2e%2e", "/\xff", "/\0", ";a", "/" + "a" * 3_000]
            )
        query = ""
        if rng.random() < 0.6:
            names = (
                "places",
                "quantity",
                "start",
                "end",
                "span",
                "zoom",
                "place",
                "kind",
                "said",
                "s",
            )
            names += ("name", "time", "format", "unit", "delimiter", "decimal", "temperature", "x")
            query = "&".join(
                f"{rng.choice(names)}={rng.choice([self._word(), *QUERY_ODD])}"
                for _ in range(rng.choice([1, 2, 4]))
            )
        headers = tuple(rng.choice(HEADERS_ODD) for _ in range(rng.choice([0, 0, 1, 2])))
        method = rng.choice(METHODS) if rng.random() < 0.6 else "GET"
        body = rng.choice(BODY_ODD) if method != "GET" or rng.random() < 0.1 else b""
        return Sent(method, path, query, headers, body)

    def _word(self) -> str:
        rng = self.rng
        if rng.random() < 0.4:
            return "".join(rng.choices(string.printable[:95], k=rng.choice([1, 3, 40])))
        words = "front-bench humidity log weather air ready 1 0 -1 1795694400000 é .. %00 %ff %2e%2e%2f"
        return rng.choice([*words.split(), "\xff\xfe", "9" * 20, "a" * 2_000])


class Board:
    """The board's app with a full bench, asked by requests as a server hands them over."""

    def __init__(self, folder: Path, parts: contextlib.ExitStack, *, signed_in: bool) -> None:
        from dashboard.app import create_app

        settings = shop_air.settings_in(folder, config=shop_air.BENCH)
        writer = parts.enter_context(contextlib.closing(Writer(settings.store_path)))
        now = now_ms()
        shop_air.fill(writer, "front-bench", now - 3 * 86_400_000, now, 600_000)
        commands = shop_air.commanded(writer, settings)
        shop_air.full_bench(commands, now)
        parts.enter_context(shop_air.command_link(settings, commands))
        shop_air.beat(settings)
        self.app = create_app(settings)
        self.app.server.test_client().get("/", headers={"Host": "localhost"})  # sets Dash up
        self.cookie = self._opened(settings) if signed_in else ""
        self.logged: list[logging.LogRecord] = []
        handler = logging.Handler(logging.WARNING)
        handler.emit = self.logged.append
        logger = logging.getLogger()
        logger.addHandler(handler)
        parts.callback(logger.removeHandler, handler)
        self.app.server.logger.handlers.clear()  # what it says comes to the handler above

    def browser(self) -> FlaskClient:
        """A client with the cookie of this visitor."""
        client = self.app.server.test_client()
        name, _, value = self.cookie.partition("=")
        client.set_cookie(name, value)
        return client

    def _opened(self, settings: Any) -> str:
        code = open_code(make_board_keys(FolderFiles(settings.data)), time.time())
        answer = self.app.server.test_client().get(f"/open/{code}", headers={"Host": "localhost"})
        return answer.headers["Set-Cookie"].partition(";")[0]

    def ask(self, sent: Sent) -> Answer:
        """Send a request; what is wrong with the answer is a fault."""
        environ = EnvironBuilder(method="GET").get_environ()
        environ |= {
            "REQUEST_METHOD": sent.method,
            "PATH_INFO": sent.path,
            "QUERY_STRING": sent.query,
            "CONTENT_LENGTH": str(len(sent.body)),
            "HTTP_HOST": "localhost",
            "HTTP_ORIGIN": "http://localhost",
            "HTTP_SEC_FETCH_SITE": "same-origin",
            "wsgi.input": io.BytesIO(sent.body),
        }
        if self.cookie:
            environ["HTTP_COOKIE"] = self.cookie
        for name, value in sent.headers:
            key = name.upper().replace("-", "_")
            environ[key if key.startswith("CONTENT_") else f"HTTP_{key}"] = value
        self.logged.clear()
        began = time.process_time()
        parts, status, headers = run_wsgi_app(self.app.server, environ, buffered=True)
        content = b"".join(parts)
        took_s = time.process_time() - began
        code, faults = int(status.split()[0]), []
        if code >= 500 and (sent.path, code) != ("/health", 503):  # no service runs here
            faults.append(f"status {status}")
        if any(record.exc_info for record in self.logged):
            faults.append("a traceback was logged")
        if took_s > SECONDS_MAX:
            faults.append(f"took {took_s:.1f} s")
        if 400 <= code < 500 and sent.method != "HEAD":
            kind = headers.get("Content-Type", "")
            one_line = content.count(b"\n") == 1 and content.endswith(b"\n") and len(content) < 300
            if not (
                kind.startswith("application/json") or (kind.startswith("text/plain") and one_line)
            ):
                faults.append(f"not one plain line: {kind} {content[:200]!r}")
        return Answer(code, tuple(faults))

    def raised(self) -> str:
        """What the last request raised, and where; empty if nothing was."""
        for record in self.logged:
            if record.exc_info and record.exc_info[2]:
                frames = traceback.extract_tb(record.exc_info[2])
                ours = [f for f in frames if "site-packages" not in f.filename] or frames
                return f"{record.exc_info[1]!r:.100} {ours[-1].filename}:{ours[-1].lineno}"
        return ""


def main() -> None:
    """Send as many requests as asked for, as a visitor and as one who may change things."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=5_000, help="requests of each visitor")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for signed_in in (False, True):
        with tempfile.TemporaryDirectory() as folder, contextlib.ExitStack() as parts:
            board = Board(Path(folder), parts, signed_in=signed_in)
            fuzz = Fuzz(board.app, given.seed)
            codes: collections.Counter[int] = collections.Counter()
            faults: dict[str, list[Sent]] = {}
            began = time.monotonic()
            for _ in range(given.count):
                sent = fuzz.next()
                answer = board.ask(sent)
                codes[answer.status] += 1
                for fault in answer.faults:
                    faults.setdefault(f"{fault} {board.raised()}", []).append(sent)
            seconds = time.monotonic() - began
            print(
                f"signed in {signed_in}: {given.count} in {seconds:.0f} s {sorted(codes.items())}"
            )
            for fault, those in sorted(faults.items(), key=lambda item: -len(item[1])):
                print(f"{len(those):5} {fault}\n      {str(those[0])[:300]}")


if __name__ == "__main__":
    main()
