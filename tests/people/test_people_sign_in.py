"""People at the board: signing in and out, sessions, tokens, walls, and the history of it."""

from __future__ import annotations

import contextlib
import json
import time

import dashboard_fixtures as shop_air
import pytest
from argon2 import PasswordHasher
from board_requests import ask_dash

from dashboard.access import throttle
from dashboard.app import create_app
from monitor.core.clock import now_ms
from monitor.people import passwords
from monitor.people.access_store import store_of
from monitor.people.board_keys import make_board_keys, open_code
from monitor.people.entries import SESSIONS, EntryKind
from monitor.people.roles import Role
from monitor.store import Reader, Writer, journal
from monitor.store.secret_files import FolderFiles

pytestmark = pytest.mark.slow

LAN = "192.168.1.20"
HOST = "192.168.1.5:8050"
PAGE = {"Host": HOST, "Origin": f"http://{HOST}", "Sec-Fetch-Site": "same-origin"}
WORDS = {"Ina": "elf pipe nor sky", "Jo": "aubergine trapeze", "Kim": "seven odd wells"}
ROLES = {"Ina": Role.OWNER, "Jo": Role.BENCH, "Kim": Role.VIEWER}
CONFIG = shop_air.CONFIG.replace("[board]", '[board]\nhost = "0.0.0.0"')
TAP = {"do": "open", "kind": "cleat", "place": "front-bench", "by": "somebody else"}
DAY_MS = 86_400_000


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A board of three people, and its command link; argon2id with little memory, to be quick."""
    hasher, passwords._hasher = passwords._hasher, PasswordHasher(1, 64, 1)
    passwords._nobodys.cache_clear()
    folder = tmp_path_factory.mktemp("people")
    settings = shop_air.settings_in(folder, config=CONFIG)
    store = store_of(settings)
    for name, password in WORDS.items():
        store.add_person(name, ROLES[name], password, now_ms())
    with contextlib.closing(Writer(settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now_ms() - 3_600_000, now_ms(), 60_000)
        commands = shop_air.commanded(writer, settings)
        with shop_air.command_link(settings, commands):
            yield settings
    passwords._hasher = hasher
    passwords._nobodys.cache_clear()


@pytest.fixture
def board(shop):
    """The board started anew: nobody has guessed yet."""
    return create_app(shop).server


@pytest.fixture
def slow_guesses(monkeypatch):
    """The first wait is as long as it gets, so that none ends while a busy machine runs a test."""
    monkeypatch.setattr(throttle, "WAIT_FIRST_S", 900.0)


@pytest.fixture
def store(shop):
    return store_of(shop)


def enter(client, name, password=None, address=LAN, headers=PAGE):
    return client.post(
        "/sign-in",
        data={"name": name, "password": WORDS.get(name, "") if password is None else password},
        environ_overrides={"REMOTE_ADDR": address},
        headers=headers,
    )


def signed_in(board, name):
    client = board.test_client()
    assert enter(client, name).headers["Location"] == "/bench"
    return client


def tap(client, headers=PAGE, **more):
    answer = client.post(
        "/bench/do", json=TAP | more, headers=headers, environ_overrides={"REMOTE_ADDR": LAN}
    )
    return answer.status_code, json.loads(answer.data)


def page_of(client, path):
    output = ".._pages_content.children..._pages_store.data.."
    inputs = [("_pages_location", "pathname", path), ("_pages_location", "search", "")]
    trigger = "_pages_location.pathname"
    return ask_dash(client, output, inputs, trigger=trigger, **PAGE).get_data(as_text=True)


def cookies(answer):
    lines = answer.headers.getlist("Set-Cookie")
    return {line.partition("=")[0]: line for line in lines}


def test_each_person_may_do_what_their_role_may_and_the_journal_has_the_name(board, shop):
    status, answer = tap(signed_in(board, "Jo"))
    assert status == 200
    with contextlib.closing(Reader(shop.store_path)) as reader:
        last = journal.events(reader)[0][-1]
    assert (last.by, last.subject) == ("Jo", answer["done"]["waits"][-1])
    assert tap(signed_in(board, "Ina"))[0] == 200
    status, answer = tap(signed_in(board, "Kim"))
    assert (status, answer["refused"]) == (
        403,
        "This needs the role bench. Kim has the role viewer.",
    )


def test_the_name_typed_in_the_form_counts_only_where_the_session_is_nobodys(board, shop):
    client = board.test_client()
    client.get(
        f"/open/{open_code(make_board_keys(FolderFiles(shop.data)), time.time())}", headers=PAGE
    )
    assert tap(client)[0] == 200
    with contextlib.closing(Reader(shop.store_path)) as reader:
        assert journal.events(reader)[0][-1].by == "somebody else"


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("Ina", WORDS["Jo"]),
        ("Ina", ""),
        ("Ina", "elf pipe nor sk"),
        ("Nobody", WORDS["Ina"]),
        ("", WORDS["Ina"]),
        ("Ina\0", WORDS["Ina"]),
        ("x" * 5000, "y" * 5000),
    ],
)
def test_a_wrong_name_or_password_opens_nothing(board, name, password):
    client = board.test_client()
    assert enter(client, name, password).headers["Location"] == "/sign-in?said=wrong"
    assert tap(client)[0] == 403


def test_the_cookies_are_shut_to_scripts_and_other_sites_and_bound_to_tls_where_there_is_tls(
    board,
):
    for scheme, prefix in (("http", ""), ("https", "__Host-")):
        client = board.test_client()
        answer = client.post(
            "/sign-in",
            data={"name": "Ina", "password": WORDS["Ina"]},
            headers=PAGE | {"Origin": f"{scheme}://{HOST}"},
            base_url=f"{scheme}://{HOST}",
        )
        found = cookies(answer)
        assert set(found) == {f"{prefix}benchweather-8050", f"{prefix}benchweather-device-8050"}
        for line in found.values():
            parts = [part.strip() for part in line.split(";")]
            assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(parts)
            assert ("Secure" in parts) == (scheme == "https")
            assert not any(part.startswith("Domain") for part in parts)


def test_a_cookie_of_plain_http_is_not_taken_over_tls(board, shop, store):
    secret, _ = store.issue(EntryKind.PASSWORD, Role.OWNER, now_ms(), DAY_MS)
    client = board.test_client(use_cookies=False)
    for name, status in (("benchweather-8050", 403), ("__Host-benchweather-8050", 200)):
        answer = client.post(
            "/bench/do",
            json=TAP,
            base_url=f"https://{HOST}",
            headers={
                "Cookie": f"{name}={secret}",
                "Origin": f"https://{HOST}",
                "Sec-Fetch-Site": "same-origin",
            },
        )
        assert answer.status_code == status


def test_the_id_of_a_session_is_new_at_each_sign_in_and_one_that_was_planted_is_not_taken(
    board, store
):
    client = board.test_client()
    client.set_cookie("benchweather-8050", "planted-by-somebody", domain="192.168.1.5")
    first = cookies(enter(client, "Ina"))["benchweather-8050"].partition(";")[0]
    assert "planted" not in first
    second = cookies(enter(client, "Ina"))["benchweather-8050"].partition(";")[0]
    assert first != second
    old = board.test_client(use_cookies=False)
    assert tap(old, PAGE | {"Cookie": first})[0] == 403
    assert tap(old, PAGE | {"Cookie": second})[0] == 200


def test_signing_out_ends_the_session_on_the_server(board):
    client = board.test_client()
    kept = cookies(enter(client, "Ina"))["benchweather-8050"].partition(";")[0]
    copy = board.test_client(use_cookies=False)
    assert tap(copy, PAGE | {"Cookie": kept})[0] == 200
    assert client.post("/sign-out", headers=PAGE).status_code == 303
    assert tap(client)[0] == 403
    assert tap(copy, PAGE | {"Cookie": kept})[0] == 403


@pytest.mark.parametrize("path", ["/sign-in", "/sign-out", "/password"])
def test_no_other_site_signs_anybody_in_or_out(board, path):
    client = signed_in(board, "Ina")
    for headers in (
        {"Host": HOST},
        {"Host": HOST, "Origin": "http://elsewhere.example"},
        {"Host": HOST, "Origin": f"http://{HOST}", "Sec-Fetch-Site": "cross-site"},
    ):
        assert client.post(path, data={"name": "Jo"}, headers=headers).status_code == 403
    assert tap(client)[0] == 200


def test_a_session_ends_by_age_and_by_lack_of_use(board, moved_clock):
    client, days = signed_in(board, "Ina"), 0
    while tap(client)[0] == 200:
        moved_clock.move(DAY_MS)
        days += 1
    assert days == 30
    client = signed_in(board, "Ina")
    moved_clock.move(13 * DAY_MS)
    assert tap(client)[0] == 200
    moved_clock.move(13 * DAY_MS)
    for _ in range(3):  # an open page that only asks whether the board is there is no use of it
        client.get("/here", headers=PAGE)
    moved_clock.move(DAY_MS)
    assert tap(client)[0] == 403


def test_a_person_changes_their_password_by_the_present_one_and_other_sessions_end(board, store):
    one, other = signed_in(board, "Kim"), signed_in(board, "Kim")
    new = "fog inside umbrella"

    def change(client, password, to):
        data = {"password": password, "new": to}
        return client.post("/password", data=data, headers=PAGE).headers["Location"]

    assert change(one, "wrong wrong wrong", new) == "/sign-in?said=wrong"
    assert change(one, WORDS["Kim"], "password1234") == "/sign-in?said=unfit"
    assert change(one, WORDS["Kim"], "short") == "/sign-in?said=unfit"
    assert enter(board.test_client(), "Kim").headers["Location"] == "/bench"
    assert change(one, WORDS["Kim"], new) == "/sign-in?said=changed"
    assert "Kim has the role" in tap(one)[1]["refused"]
    assert "Sign in" in tap(other)[1]["refused"]
    assert "wrong" in enter(board.test_client(), "Kim").headers["Location"]
    assert enter(board.test_client(), "Kim", new).headers["Location"] == "/bench"
    assert board.test_client().post("/password", headers=PAGE).headers["Location"].endswith("none")
    store.set_password("Kim", WORDS["Kim"], now_ms())


def test_a_role_taken_away_and_a_session_withdrawn_count_at_the_next_request(board, store):
    client = signed_in(board, "Jo")
    store.set_role("Jo", Role.VIEWER)
    assert tap(client)[0] == 403
    store.set_role("Jo", Role.BENCH)
    assert tap(client)[0] == 200
    mine = [one for one in store.credentials(SESSIONS, now_ms()) if one.name == "Jo"]
    for one in mine:
        store.withdraw(one.credential_id, now_ms())
    assert tap(client)[0] == 403


def test_strangers_guesses_shut_out_neither_the_known_browser_nor_the_link(
    board, shop, slow_guesses
):
    """Sixty guesses at the owner's name from sixty networks, and twenty from the owner's own."""
    known = signed_in(board, "Ina")
    known.post("/sign-out", headers=PAGE)
    tries = [(f"guess {i}", f"198.51.100.{i}") for i in range(60)] + [("again", LAN)] * 20
    said = [enter(board.test_client(), "Ina", *one).headers["Location"] for one in tries]
    assert sum(one.endswith("wrong") for one in said) == throttle.LIMITS["person"].free
    assert said[-1].startswith("/sign-in?said=wait")
    fresh = board.test_client()
    assert "wait" in enter(fresh, "Ina", address="203.0.113.9").headers["Location"]
    assert enter(known, "Ina").headers["Location"] == "/bench"  # whatever strangers did
    assert enter(board.test_client(), "Jo", address="203.0.113.9").headers["Location"] == "/bench"
    link = f"/open/{open_code(make_board_keys(FolderFiles(shop.data)), time.time())}"
    assert fresh.get(link, headers=PAGE).headers["Location"] == "/"
    assert tap(fresh)[0] == 200


def test_a_known_browser_waits_for_its_own_guesses_and_its_mark_is_no_password(
    board, slow_guesses
):
    known = signed_in(board, "Ina")
    for _ in range(throttle.LIMITS["device"].free):
        assert "wrong" in enter(known, "Ina", "guess").headers["Location"]
    assert "wait" in enter(known, "Ina").headers["Location"]
    forged = board.test_client()
    forged.set_cookie("benchweather-device-8050", "ab.cd", domain="192.168.1.5")
    assert tap(forged)[0] == 403
    for i in range(throttle.LIMITS["pair"].free):
        forged.set_cookie("benchweather-device-8050", f"nonce{i}.seal", domain="192.168.1.5")
        assert "wrong" in enter(forged, "Jo", "guess", "203.0.113.4").headers["Location"]
    assert "wait" in enter(forged, "Jo", address="203.0.113.4").headers["Location"]


def test_an_unknown_name_takes_as_long_as_a_known_one(board, monkeypatch):
    """Both compute one argon2id: counted, as times on a busy machine say nothing."""
    asked = []
    real = passwords._hasher.verify
    monkeypatch.setattr(
        type(passwords._hasher), "verify", lambda _, *of: asked.append(of[0]) or real(*of)
    )
    for name in ("Ina", "Nobody", "Somebody else"):
        enter(board.test_client(), name, "not the password")
    assert len(asked) == 3
    assert len({kept.rsplit("$", 2)[0] for kept in asked}) == 1  # of the same cost


def test_a_wait_tells_nobody_whose_names_there_are(board, slow_guesses):
    """The same guesses at a person's name and at nobody's get the same answers, whatever was tried
    at other names before."""
    for i in range(6):
        enter(board.test_client(), f"nobody {i}", "guess", "198.51.100.7")
    said = {
        name: [
            enter(board.test_client(), spelt, "guess", "198.51.100.7").headers["Location"]
            for spelt in (name, name.upper(), f" {name}  ", name, name)
        ]
        for name in ("Nemo", "Ina")
    }
    assert said["Nemo"] == said["Ina"]
    for name in ("Nemo", "Ina"):
        there = [
            enter(board.test_client(), spelt, "guess", "198.51.100.8").headers["Location"]
            for spelt in (name, name.upper(), f" {name}  ", name, name, name)
        ]
        assert ["wait" in one for one in there] == [False] * 5 + [True], name


def test_a_wall_screen_looks_and_changes_nothing_until_its_link_is_withdrawn(
    board, store, moved_clock
):
    secret, number = store.issue(EntryKind.WALL, Role.VIEWER, now_ms(), 3650 * DAY_MS, name="loft")
    wall = board.test_client()
    assert wall.get(f"/open/{secret}", headers=PAGE).headers["Location"] == "/wall"
    assert "This browser has the role viewer" in tap(wall)[1]["refused"]
    assert "Kestrel" not in page_of(wall, "/clients")
    page = page_of(wall, "/clients")
    assert "needs the role bench" in page
    moved_clock.move(400 * DAY_MS)
    assert "the role viewer" in tap(wall)[1]["refused"]
    store.withdraw(number, now_ms())
    assert "the role viewer" not in tap(wall)[1]["refused"]
    again = board.test_client().get(f"/open/{secret}", headers=PAGE)
    assert again.headers["Location"] == "/sign-in?said=ended"


def test_a_token_of_a_script_does_what_its_role_may_and_needs_no_page(board, store):
    look, _ = store.issue(EntryKind.SCRIPT, Role.VIEWER, now_ms(), DAY_MS, name="graph")
    work, number = store.issue(EntryKind.SCRIPT, Role.BENCH, now_ms(), DAY_MS, name="button")
    client = board.test_client()

    def bearing(token):
        return {"Host": HOST, "Authorization": f"Bearer {token}"}

    assert client.get("/past.csv", headers=bearing(look)).status_code != 401
    assert tap(client, bearing(look))[0] == 403
    assert tap(client, bearing(work))[0] == 200
    assert tap(client, bearing(work), about="rule", do="reset")[0] == 403
    session = store.issue(EntryKind.PASSWORD, Role.OWNER, now_ms(), DAY_MS)[0]
    for wrong in ("", "x", work[:-1], session, f"{work}\t{work}"):
        answer = client.get("/past.csv", headers=bearing(wrong))
        assert answer.status_code == 401, wrong
        assert answer.headers["WWW-Authenticate"] == "Bearer"
    as_cookie = PAGE | {"Cookie": f"benchweather-8050={work}"}
    assert tap(board.test_client(use_cookies=False), as_cookie)[0] == 403
    store.withdraw(number, now_ms())
    assert client.get("/past.csv", headers=bearing(work)).status_code == 401


def test_the_history_has_who_did_what_from_where_and_no_secret(board, store, shop):
    secret, number = store.issue(EntryKind.SCRIPT, Role.BENCH, now_ms(), DAY_MS, name="button")
    client = board.test_client()
    enter(client, "Ina", "my secret typo", "203.0.113.40")
    enter(client, "my secret typo", "x", "203.0.113.40")
    enter(client, "Ina", address="203.0.113.41")
    tap(client)
    tap(client, about="rule", do="reset", rule="nothing")
    client.post("/sign-out", headers=PAGE)
    tap(board.test_client(), {"Host": HOST, "Authorization": f"Bearer {secret}"})
    viewer = signed_in(board, "Kim")
    tap(viewer)
    entries = store.history(8)[::-1]
    assert [(one.who, one.action, one.address) for one in entries] == [
        ("Ina", "failed sign-in", "203.0.113.40"),
        ("an unknown name", "failed sign-in", "203.0.113.40"),
        ("Ina", "signed in", "203.0.113.41"),
        ("Ina", "command", LAN),
        ("Ina", "signed out", "127.0.0.1"),
        ("button", "command", LAN),
        ("Kim", "signed in", LAN),
        ("Kim", "denied", LAN),
    ]
    sessions = [one.session for one in entries]
    assert sessions[:2] == ["", ""]
    assert sessions[2].startswith("session ")
    assert sessions[3:5] == [sessions[2]] * 2
    assert sessions[5] == f"token {number}"
    assert sessions[6] == sessions[7] != sessions[2]
    assert entries[5].detail.startswith("wait: open")
    text = " ".join(" ".join(map(str, one)) for one in entries)
    for hidden in ("typo", secret, *WORDS.values()):
        assert hidden not in text


def test_what_a_browser_sends_cannot_write_to_the_owners_terminal(board, store):
    kim = signed_in(board, "Kim")
    answer = kim.post("/clients/file/%1b%5d0;x%07%0aIna", headers=PAGE, data=b"x")
    assert answer.status_code == 403
    assert store.history(1)[0].detail == "POST /clients/file/?]0;x??Ina"


def test_the_owners_page_shows_and_withdraws_and_nobody_elses_does(board, store):
    enter(board.test_client(), "Kim", "not the password", "203.0.113.42")
    owner, worker = signed_in(board, "Ina"), signed_in(board, "Jo")
    page = page_of(owner, "/people")
    for text in ("Ina (this browser)", "Jo", "Kim", "failed sign-in", "Withdraw"):
        assert text in page
    for hidden in WORDS.values():
        assert hidden not in page
    assert "argon2" not in page
    assert "needs the role owner" in page_of(worker, "/people")
    (mine,) = [o for o in store.credentials(SESSIONS, now_ms()) if o.name == "Jo"][:1]

    def people_do(client, do, of, role="bench", name=""):
        mark = json.dumps({"do": do, "of": of, "type": "people-do"}, separators=(",", ":"))
        prop = f"{mark}.n_clicks" if do != "add" else "people-add.n_clicks"
        tapped = {"id": json.loads(mark), "property": "n_clicks", "value": 1}
        body = {
            "output": "..people-said.children...people-live.children...people-name.value..",
            "outputs": [
                {"id": "people-said", "property": "children"},
                {"id": "people-live", "property": "children"},
                {"id": "people-name", "property": "value"},
            ],
            "inputs": [
                {"id": "people-add", "property": "n_clicks", "value": 1 if do == "add" else None},
                [tapped] if do != "add" else [],
            ],
            "state": [
                {"id": "people-name", "property": "value", "value": name},
                {"id": "people-role", "property": "value", "value": role},
            ],
            "changedPropIds": [prop],
        }
        return client.post("/_dash-update-component", json=body, headers=PAGE)

    number = str(mine.credential_id)
    assert people_do(worker, "withdraw", number).status_code == 403
    assert tap(worker)[0] == 200
    answer = people_do(owner, "withdraw", number)
    assert "Withdrawn." in answer.get_data(as_text=True)
    assert tap(worker)[0] == 403
    added = people_do(owner, "add", "", "viewer", "Lou")
    words = added.get_data(as_text=True).split('"strong"')[0]
    assert "shown only now" in words
    assert store.person("lou").role is Role.VIEWER
    assert "has the role bench now" in people_do(owner, "role bench", "Lou").get_data(as_text=True)
    assert "Passphrase of" in people_do(owner, "passphrase", "Lou").get_data(as_text=True)
    assert "is removed" in people_do(owner, "remove", "Lou").get_data(as_text=True)
    assert "There is no person" in people_do(owner, "remove", "Lou").get_data(as_text=True)
    assert people_do(owner, "nonsense", "Lou").status_code == 204
    assert people_do(owner, "add", "", "king", "Lou").status_code == 204
    done = [(one.action, one.detail) for one in store.history(5)]
    assert done[:4] == [
        ("person removed", "Lou"),
        ("password changed", "of Lou"),
        ("role changed", "Lou is bench"),
        ("person added", "Lou, viewer"),
    ]
    assert done[4][0] == "withdrawn"
