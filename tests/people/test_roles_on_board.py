"""Every page, address, callback and command of the board, asked by each role and by strangers."""

from __future__ import annotations

import contextlib
import json
from typing import NamedTuple

import dash
import dashboard_fixtures as shop_air
import pytest
from board_fuzz import Fuzz
from board_requests import HERE, ask_dash
from undecided_parts import undecided

from dashboard.access import permissions
from dashboard.app import create_app
from dashboard.clients import files
from monitor.commands import REQUESTS
from monitor.core.clock import now_ms
from monitor.people.access_store import AccessStore, store_of
from monitor.people.entries import EntryKind
from monitor.people.homes import PeopleFolder
from monitor.people.roles import Role
from monitor.store import Writer

pytestmark = pytest.mark.slow

ROLES = (None, *Role)
DAY_MS = 86_400_000


class Shop(NamedTuple):
    """A board with its server, and a browser of each role."""

    app: dash.Dash
    settings: object
    browsers: dict
    pages: dict

    def outputs(self) -> list[str]:
        """Callbacks that the server answers."""
        return [name for name, one in self.app.callback_map.items() if "callback" in one]


def shop_in(folder, config=shop_air.CONFIG):
    settings = shop_air.settings_in(folder, config=config)
    app = create_app(settings)
    app.server.config["PROPAGATE_EXCEPTIONS"] = False  # an answer 500, as a browser gets it
    store = store_of(settings)
    browsers = {}
    for role in ROLES:
        browsers[role] = app.server.test_client()
        if role is not None:
            secret, _ = store.issue(EntryKind.PASSWORD, role, now_ms(), DAY_MS)
            browsers[role].set_cookie("benchweather-8050", secret)
    browsers[None].get("/_dash-layout")  # Dash sets itself up at the first request
    return Shop(app, settings, browsers, dict(dash.page_registry))


@pytest.fixture
def shop(made):
    """The board, whose pages are the ones that Dash has for the whole process."""
    dash.page_registry.clear()
    dash.page_registry.update(made.pages)
    return made


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("roles")
    found = shop_in(folder)
    with contextlib.ExitStack() as parts:
        writer = parts.enter_context(contextlib.closing(Writer(found.settings.store_path)))
        shop_air.fill(writer, "front-bench", now_ms() - 3_600_000, now_ms(), 60_000)
        commands = shop_air.commanded(writer, found.settings)
        parts.enter_context(shop_air.command_link(found.settings, commands))
        yield found


def allowed(role, need, *, open_to_all=True):
    """The rule itself, in other words than the product's."""
    rank = {None: 1 if open_to_all else 0, "viewer": 1, "bench": 2, "owner": 3}
    return need is None or rank[role] >= rank[need]


def body_of(app, output, *, trigger=""):
    """A sound request for a callback."""
    return Fuzz(app, seed=1).update(output) | {"changedPropIds": [trigger] if trigger else []}


def page_of(client, path):
    output = ".._pages_content.children..._pages_store.data.."
    inputs = [("_pages_location", "pathname", path), ("_pages_location", "search", "")]
    trigger = "_pages_location.pathname"
    return ask_dash(client, output, inputs, trigger=trigger, **HERE).get_data(as_text=True)


def post(client, path, body, headers=HERE):
    return client.post(path, json=body, headers=headers)


def test_a_new_part_without_a_need_is_found_and_is_the_owners_alone(tmp_path):
    from dash import Input, Output

    new = create_app(shop_air.settings_in(tmp_path))
    new.server.add_url_rule("/new", "new", lambda: "new", methods=["GET", "POST"])

    @new.callback(Output("new-part", "children"), Input("token", "data"))
    def changed(_token):
        return "changed"

    dash.register_page("new_page", path="/new-page", title="New", layout=lambda **_: "new")
    assert undecided(new) == ["callback new-part.children", "endpoint new", "page new_page"]
    body = body_of(new, "new-part.children")
    store = AccessStore(PeopleFolder(tmp_path))
    for role in ROLES:
        client = new.server.test_client()
        if role is not None:
            secret, _ = store.issue(EntryKind.PASSWORD, role, now_ms(), DAY_MS)
            client.set_cookie("benchweather-8050", secret)
        status = 200 if role is Role.OWNER else 403
        assert client.get("/new").status_code == status, role
        assert client.post("/new", headers=HERE).status_code == status, role
        assert post(client, "/_dash-update-component", body).status_code == status, role


@pytest.mark.parametrize("role", ROLES)
def test_every_address_is_open_to_its_roles_only(shop, role):
    asked = 0
    for rule in shop.app.server.url_map.iter_rules():
        need = permissions.ENDPOINTS[rule.endpoint]
        path = rule.rule
        for part in ("<what>", "<token>", "<code>", "<path:rest>", "<path:path>"):
            path = path.replace(part, "x")
        if need is None or "<" in path:
            continue
        for method in sorted(rule.methods - {"OPTIONS", "HEAD"}):
            answer = shop.browsers[role].open(path, method=method, headers=HERE)
            assert (answer.status_code != 403) == allowed(role, need), (role, method, path)
            asked += 1
    assert asked == sum(need is not None for need in permissions.ENDPOINTS.values())


@pytest.mark.parametrize("role", ROLES)
def test_every_callback_answers_its_roles_only(shop, role):
    outputs = shop.outputs()
    assert len(outputs) > 30
    for output in outputs:
        need = permissions.CALLBACKS[permissions.first_output(output)]
        status = post(
            shop.browsers[role], "/_dash-update-component", body_of(shop.app, output)
        ).status_code
        assert (status != 403) == allowed(role, need), (role, output)


@pytest.mark.parametrize("role", ROLES)
def test_every_command_is_carried_out_for_its_roles_only(shop, role):
    bench, owners = 0, 0
    for about, actions in REQUESTS.items():
        for do in actions:
            answer = post(shop.browsers[role], "/bench/do", {"about": about, "do": do})
            need = "owner" if do in permissions.OWNERS_COMMANDS.get(about, ()) else "bench"
            assert (answer.status_code != 403) == allowed(role, need), (role, about, do)
            if answer.status_code == 403:
                assert json.loads(answer.data)["refused"]
            bench, owners = bench + (need == "bench"), owners + (need == "owner")
    assert (bench, owners) >= (35, 11)


def test_no_command_is_both_the_benchs_and_the_owners_and_every_one_exists():
    for about, actions in REQUESTS.items():
        owners = permissions.OWNERS_COMMANDS.get(about, frozenset())
        bench = permissions.BENCH_COMMANDS.get(about, frozenset())
        assert not owners & bench
        assert owners | bench == set(actions), about
    # One word for two things: without `about` it is a wait type's, and so the owner's.
    assert permissions.command_need({"do": "retire"}) is Role.OWNER
    assert permissions.command_need({"do": "restore"}) is Role.OWNER
    assert permissions.command_need({"do": ["retire"], "about": {}}) is Role.BENCH


@pytest.mark.parametrize("role", ROLES)
def test_only_the_owner_erases_a_client_by_whatever_the_browser_sends(shop, role):
    (output,) = (one for one in shop.outputs() if "past-sheets.children" in one)
    for mark in (
        '{"client":"Ina","type":"client-erase"}.n_clicks',
        '{"type":"client-erase","client":"Ina"}.n_clicks',
    ):
        body = body_of(shop.app, output, trigger=mark)
        status = post(shop.browsers[role], "/_dash-update-component", body).status_code
        assert (status != 403) == (role is Role.OWNER)


def test_no_page_takes_the_address_of_another(shop):
    for page in dash.page_registry.values():
        found, _ = dash._pages._path_to_page(page["path"].strip("/"))
        assert found["module"] == page["module"], page["path"]


@pytest.mark.parametrize("role", ROLES)
def test_every_page_is_shown_to_its_roles_only(shop, role):
    for page in dash.page_registry.values():
        need = permissions.PAGES[page["module"]]
        text = page_of(shop.browsers[role], page["path"])
        why = "This browser can only read" if role is None else f"This needs the role {need}."
        if not allowed(role, need):
            assert why in text, page["path"]
        elif role is Role.OWNER:
            assert why not in text, page["path"]
        assert len(text) > 200
        typed = "Type a reading" in text and page["module"] != "sensors_read"
        assert not typed or allowed(role, Role.BENCH), page["path"]
        if page["module"] in ("air", "sensors"):
            assert typed == allowed(role, Role.BENCH), page["path"]


@pytest.mark.parametrize("role", ROLES)
def test_a_board_for_its_people_shows_strangers_nothing(tmp_path, role):
    config = shop_air.CONFIG.replace("[board]", '[board]\nreaders = "signed-in"')
    people = shop_in(tmp_path, config)
    with contextlib.closing(Writer(people.settings.store_path)) as writer:
        shop_air.fill(writer, "front-bench", now_ms() - 3_600_000, now_ms(), 60_000)
    client = people.browsers[role]
    if role is None:
        for output in people.outputs():
            need = permissions.CALLBACKS[permissions.first_output(output)]
            status = post(
                client, "/_dash-update-component", body_of(people.app, output)
            ).status_code
            assert (status == 403) == (need is not None), output
    for page in dash.page_registry.values():
        text = page_of(client, page["path"])
        if role is None and page["module"] != "sign_in":
            assert "can only read" in text, page["path"]
            assert "Front bench" not in text, page["path"]
    for path in ("/past.csv", "/past/climate.csv"):
        answer = client.get(path)
        assert (answer.status_code == 403) == (role is None)
        assert answer.headers["Cache-Control"] == "no-store"
    layout = client.get("/_dash-layout").get_data(as_text=True)
    assert ("has not run here yet" in layout) == (role is not None)
    assert (client.get("/here").json["token"] == "") == (role is None)


def test_the_files_of_clients_are_refused_in_words(shop):
    answer = shop.browsers[Role.VIEWER].post("/clients/file/weather", data=b"x", headers=HERE)
    assert answer.status_code == 403
    assert "needs the role bench" in json.loads(answer.data)["fault"]
    assert files.FILE_MAX > 0


def test_a_change_needs_a_page_of_the_board_whatever_the_role(shop):
    for headers in ({}, {"Origin": "http://elsewhere.example"}, {"Sec-Fetch-Site": "none"}):
        answer = post(
            shop.browsers[Role.OWNER], "/bench/do", {"about": "rule", "do": "reset"}, headers
        )
        assert answer.status_code == 403
