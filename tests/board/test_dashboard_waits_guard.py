"""Who may change anything from the board: each refusal, and signing in."""

from __future__ import annotations

import contextlib
import json
import time

import dashboard_fixtures as shop_air
import pytest
from board_requests import ask_dash

from dashboard.access import throttle
from dashboard.app import create_app
from monitor.core.clock import now_ms
from monitor.people.board_keys import CODE_LIFE_S, make_board_keys, open_code
from monitor.people.guesses import SUBJECTS_MAX, MemoryCounts
from monitor.store import Writer
from monitor.store.secret_files import FolderFiles

OPEN = {"do": "open", "kind": "cleat", "place": "front-bench"}
LAN = "192.168.1.20"
WITH_PASSWORD = shop_air.CONFIG.replace(
    "[board]", '[board]\nhost = "0.0.0.0"\npassword = "horse hair {{}}"'.replace("{{}}", "bow")
)
ANYWHERE = shop_air.CONFIG.replace("[board]", '[board]\nhost = "0.0.0.0"')


def same(host="localhost"):
    return {"Host": host, "Origin": f"http://{host}", "Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def make(tmp_path):
    """A client of a board with these settings, its command link open; a browser that has opened the
    link of `benchweather board`, or with `opened_at=""` one that has not."""
    with contextlib.ExitStack() as parts:

        def client(config=shop_air.CONFIG, *, secrets=True, opened_at="localhost"):
            settings = shop_air.settings_in(tmp_path, config=config)
            writer = parts.enter_context(contextlib.closing(Writer(settings.store_path)))
            shop_air.fill(writer, "front-bench", now_ms() - 3_600_000, now_ms(), 60_000)
            commands = shop_air.commanded(writer, settings)
            parts.enter_context(shop_air.command_link(settings, commands))
            if not secrets:
                (settings.data / "secrets.json").unlink()
            if opened_at and secrets:
                return shop_air.board_client(settings, opened_at)
            return create_app(settings).server.test_client()

        yield client


def tap(client, address="127.0.0.1", headers=None):
    answer = client.post(
        "/bench/do",
        json=OPEN,
        headers=same() if headers is None else headers,
        environ_overrides={"REMOTE_ADDR": address},
    )
    try:
        return answer.status_code, json.loads(answer.data)
    except ValueError:
        return answer.status_code, answer.get_data(as_text=True)


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "localhost:8050"])
def test_a_browser_that_opened_the_link_may_change_anything(make, host):
    client = make(opened_at=host)
    for address in ("127.0.0.1", "::1", "::ffff:127.0.0.1", LAN):
        assert tap(client, address, same(host))[0] == 200, address


@pytest.mark.parametrize("config", [shop_air.CONFIG, WITH_PASSWORD])
def test_an_address_of_this_machine_proves_nothing(make, config):
    """Whoever comes through a forwarder on this machine has it, whatever headers are left."""
    client = make(config, opened_at="")
    for address in ("127.0.0.1", "::1", "::ffff:127.0.0.1"):
        status, answer = tap(client, address)
        assert status == 403, address
        assert "benchweather board" in answer["refused"] or "Sign in" in answer["refused"]


def test_a_link_is_good_for_an_hour_and_by_these_keys_only(make, tmp_path):
    client = make(opened_at="")
    keys = make_board_keys(FolderFiles(tmp_path))
    now = time.time()
    old, strange = open_code(keys, now - CODE_LIFE_S - 1), keys._replace(local_key="x" * 40)
    far = open_code(keys, now + 7200)  # made by a clock that was ahead
    for code in (old, far, open_code(strange, now), "", "-", "zz-aa", "f" * 5000, "-" + "a" * 40):
        answer = client.get(f"/open/{code}", headers={"Host": "localhost"})
        assert answer.headers.get("Location", "") in ("", "/sign-in?said=ended")
        assert tap(client)[0] == 403
    answer = client.get(f"/open/{open_code(keys, now)}", headers={"Host": "localhost"})
    assert "HttpOnly" in answer.headers["Set-Cookie"]
    assert tap(client)[0] == 200
    assert client.post("/sign-out", headers=same()).status_code == 303
    assert tap(client)[0] == 403


def test_new_keys_end_what_old_ones_opened(make, tmp_path):
    client = make()
    assert tap(client)[0] == 200
    keys = make_board_keys(FolderFiles(tmp_path))
    changed = keys._replace(local_key="y" * 40)._asdict()
    (tmp_path / "secrets.json").write_text(json.dumps(changed))
    assert tap(client)[0] == 403


def test_missing_keys_are_added_and_the_others_kept(tmp_path):
    path = tmp_path / "secrets.json"
    path.write_text('{"session_key": "a", "calendar_token": "b"}')
    keys = make_board_keys(FolderFiles(tmp_path))
    assert (keys.session_key, keys.calendar_token) == ("a", "b")
    assert len(keys.local_key) > 30
    assert make_board_keys(FolderFiles(tmp_path)) == keys
    assert path.stat().st_mode & 0o077 == 0
    path.write_text("[]")
    assert make_board_keys(FolderFiles(tmp_path)).session_key != "a"


def test_what_no_page_of_the_board_sent_is_refused(make):
    client = make()
    for headers in (
        {"Host": "localhost"},
        {"Host": "localhost", "Origin": "http://elsewhere.example"},
        {"Host": "localhost", "Origin": "null"},
        {"Host": "localhost", "Origin": "http://[::1"},
        {"Host": "localhost", "Origin": "http://a]b", "Sec-Fetch-Site": "same-origin"},
        {"Host": "localhost:8050", "Origin": "http://localhost:3000"},
        {"Host": "localhost", "Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"},
        {"Host": "localhost", "Origin": "http://localhost", "Sec-Fetch-Site": "same-site"},
        {"Host": "localhost", "Sec-Fetch-Site": "none"},
    ):
        assert tap(client, headers=headers)[0] == 403, headers


def test_no_post_of_another_origin_passes_not_even_to_read(make):
    client = make()
    search = [("_pages_location", "search", "")]
    args = ("sensors.children", [("token", "data", "")], search)
    assert ask_dash(client, *args).status_code == 200
    assert ask_dash(client, *args, Origin="http://elsewhere.example").status_code == 403
    assert ask_dash(client, *args, **{"Sec-Fetch-Site": "cross-site"}).status_code == 403


def test_another_name_for_this_machine_is_refused_before_all(make):
    assert tap(make(), headers=same("rebound.example"))[0] == 403


def test_from_elsewhere_without_a_password_it_is_read_only_and_says_why(make):
    status, answer = tap(make(ANYWHERE), LAN, same("192.168.1.5:8050"))
    assert status == 403
    assert answer["refused"].startswith("This browser can only read.")
    assert "board.password" in answer["refused"]


def test_a_loopback_name_sent_from_elsewhere_does_not_help(make):
    assert tap(make(ANYWHERE, opened_at=""), LAN, same("localhost"))[0] == 403


def enter(client, password, address=LAN, headers=None):
    return client.post(
        "/sign-in",
        data={"password": password},
        environ_overrides={"REMOTE_ADDR": address},
        headers=same("192.168.1.5:8050") if headers is None else headers,
    )


def test_from_elsewhere_the_password_opens_it_and_signing_out_shuts_it(make):
    client = make(WITH_PASSWORD)
    headers = same("192.168.1.5:8050")
    status, answer = tap(client, LAN, headers)
    assert (status, answer["refused"]) == (403, "Sign in to change anything from this browser.")
    assert enter(client, "horse hair bow").headers["Location"] == "/bench"
    assert tap(client, LAN, headers)[0] == 200
    assert client.post("/sign-out", headers=headers).status_code == 303
    assert tap(client, LAN, headers)[0] == 403


def test_the_cookie_is_shut_to_scripts_and_to_other_sites(make):
    cookie = enter(make(WITH_PASSWORD), "horse hair bow").headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Strict" in cookie


def test_a_signed_in_session_still_needs_a_page_of_the_board(make):
    client = make(WITH_PASSWORD)
    enter(client, "horse hair bow")
    strange = {"Host": "192.168.1.5:8050", "Origin": "http://elsewhere.example"}
    assert tap(client, LAN, strange)[0] == 403
    assert tap(client, LAN, {"Host": "192.168.1.5:8050"})[0] == 403


@pytest.mark.parametrize("password", ["", "horse hair", "horse hair bow ", "Horse hair bow", "ö"])
def test_a_wrong_password_is_refused(make, password):
    client = make(WITH_PASSWORD)
    assert enter(client, password).headers["Location"] == "/sign-in?said=wrong"
    assert tap(client, LAN, same("192.168.1.5:8050"))[0] == 403


def test_signing_in_from_another_site_is_refused(make):
    strange = {"Host": "192.168.1.5:8050", "Origin": "http://elsewhere.example"}
    client = make(WITH_PASSWORD)
    assert enter(client, "horse hair bow", headers=strange).status_code == 403
    assert enter(client, "horse hair bow", headers={"Host": "192.168.1.5"}).status_code == 403


def test_guessing_is_slowed_down_and_the_right_password_must_wait_too(make):
    client = make(WITH_PASSWORD)
    for _ in range(throttle.LIMITS["pair"].free):
        assert "wrong" in enter(client, "guess").headers["Location"]
    assert "said=wait" in enter(client, "horse hair bow").headers["Location"]
    assert enter(client, "horse hair bow", "192.168.1.30").headers["Location"] == "/bench"


class Clock:
    """A clock that a test moves."""

    now_s = 0.0

    def __call__(self):
        return self.now_s


def test_waiting_doubles_and_ends():
    clock, waits = Clock(), []
    made, pair = throttle.Throttle(MemoryCounts(clock)), [("pair", "a")]
    most = throttle.LIMITS["pair"].wait_max_s
    for _ in range(40):
        while (wait := made.wait_or_count(pair)) > 0:
            waits.append(wait)
            clock.now_s += wait
    free = throttle.LIMITS["pair"].free
    assert waits[:3] == [throttle.WAIT_FIRST_S * 2**n for n in range(3)]
    assert len(waits) == 40 - free
    assert max(waits) == waits[-1] == most
    made.passed(pair)
    assert [made.wait_or_count(pair) for _ in range(free)] == [0] * free
    assert made.wait_or_count(pair) > 0


def test_guesses_at_one_person_from_everywhere_stay_below_a_hundred_an_hour():
    """Each guess from a network of its own; source: OWASP ASVS 4.0.3, 2.2.1."""
    clock, guesses = Clock(), 0
    made = throttle.Throttle(MemoryCounts(clock))
    while clock.now_s < 3600:
        address = f"198.51.{guesses // 250}.{guesses % 250}"
        wait = made.wait_or_count(throttle.stranger("Ina", address))
        guesses += wait == 0
        clock.now_s += max(wait, 0.1)
    assert 20 < guesses < 100
    assert made.wait_or_count(throttle.stranger("Jo", "203.0.113.5")) == 0
    assert made.wait_or_count([("device", "known")]) == 0


def test_guesses_at_any_names_from_everywhere_are_bounded_and_push_out_no_persons_counts():
    """Each guess at another name and from another network; each costs a hash."""
    clock, guesses = Clock(), 0
    counts = MemoryCounts(clock)
    made = throttle.Throttle(counts)
    persons = throttle.stranger("Ina", "203.0.113.5")
    for _ in range(throttle.LIMITS["pair"].free):
        assert made.wait_or_count(persons) == 0
    while clock.now_s < 3600:
        wait = made.wait_or_count(
            throttle.stranger(f"nobody {guesses}", f"2001:db8:0:{guesses:x}::1", known=False)
        )
        guesses += wait == 0
        clock.now_s += max(wait, 0.01)
    assert 300 < guesses < 300 + 3600 / throttle.LIMITS["all"].wait_max_s + 10
    assert counts.kept["pair"].keys() == {persons[0][1]}
    assert counts.kept["person"].keys() == {"Ina"}


def test_the_throttle_forgets_the_oldest_when_it_is_full():
    counts = MemoryCounts()
    made = throttle.Throttle(counts)
    for i in range(3 * SUBJECTS_MAX):
        made.wait_or_count([("network", f"net{i}"), ("pair", f"a\nnet{i}")])
    assert {kind: len(held) for kind, held in counts.kept.items()} == {
        "pair": SUBJECTS_MAX,
        "network": SUBJECTS_MAX,
    }


def test_a_new_password_makes_old_sessions_void(make, tmp_path):
    client = make(WITH_PASSWORD)
    name = "benchweather-8050"
    value = enter(client, "horse hair bow").headers["Set-Cookie"].partition(";")[0]
    assert value.startswith(f"{name}=")
    for config, allowed in ((WITH_PASSWORD, 200), (WITH_PASSWORD.replace("horse", "cow"), 403)):
        settings = shop_air.settings_in(tmp_path, config=config)
        second = create_app(settings).server.test_client()
        second.set_cookie(name, value.partition("=")[2], domain="192.168.1.5")
        assert tap(second, LAN, same("192.168.1.5:8050"))[0] == allowed


def test_without_the_services_keys_a_link_opens_nothing_and_the_password_still_does(
    make, tmp_path
):
    client = make(WITH_PASSWORD, secrets=False)
    code = open_code(make_board_keys(FolderFiles(tmp_path / "elsewhere")), time.time())
    answer = client.get(f"/open/{code}", headers={"Host": "localhost"})
    assert answer.headers["Location"] == "/sign-in?said=ended"
    assert tap(client, LAN, same("192.168.1.5:8050"))[0] == 403
    assert enter(client, "horse hair bow").headers["Location"] == "/bench"
    assert tap(client, LAN, same("192.168.1.5:8050"))[0] == 200


def test_a_forged_session_is_none(make):
    client = make(WITH_PASSWORD)
    client.set_cookie(
        "benchweather-8050", "eyJzaWduZWQiOiJ4In0.aaaaaa.bbbbbbb", domain="192.168.1.5"
    )
    assert tap(client, LAN, same("192.168.1.5:8050"))[0] == 403


def test_the_page_itself_says_that_it_only_reads(make):
    client = make(ANYWHERE)
    body = {
        "output": ".._pages_content.children..._pages_store.data..",
        "outputs": [
            {"id": "_pages_content", "property": "children"},
            {"id": "_pages_store", "property": "data"},
        ],
        "inputs": [
            {"id": "_pages_location", "property": "pathname", "value": "/bench"},
            {"id": "_pages_location", "property": "search", "value": ""},
        ],
        "changedPropIds": [],
        "state": [],
    }

    def text(address, host):
        answer = client.post(
            "/_dash-update-component",
            json=body,
            headers=same(host),
            environ_overrides={"REMOTE_ADDR": address},
        )
        return answer.get_data(as_text=True)

    there = text(LAN, "192.168.1.5:8050")
    assert "This browser can only read" in there
    assert "data-choose" not in there
    assert "calendar" not in there
    here = text("127.0.0.1", "localhost:8050")
    assert "data-choose" in here
    assert "planned work" in here


def test_an_update_of_no_known_shape_is_refused_without_a_word_in_the_log(make, caplog):
    client = make()
    for body in (
        b"{}",
        b"[]",
        b"null",
        b"5",
        b'{"output":"x"}',
        b"[" * 50_000,
        b'{"output":"x","inputs":5}',
        b'{"output":"nope.children","outputs":{},"inputs":[],"changedPropIds":[]}',
        b"\xff\xfe{",
    ):
        client.get("/", headers=same())
        answer = client.post(
            "/_dash-update-component", data=body, content_type="application/json", headers=same()
        )
        assert answer.status_code == 400, body
        assert "Traceback" not in caplog.text


def test_a_part_of_no_component_suite_is_not_there(make, caplog):
    client = make()
    client.get("/", headers=same())
    for path in ("os/x", "dash/__init__.py", "../x"):
        assert client.get(f"/_dash-component-suites/{path}", headers=same()).status_code in (
            403,
            404,
        )
    assert "Traceback" not in caplog.text
