"""Parts of the board for which no role is decided."""

from __future__ import annotations

import dash

from dashboard.access import permissions
from monitor.commands import REQUESTS


def undecided(app: dash.Dash) -> list[str]:
    """Parts of the board that have no need in the tables."""
    rules, callbacks = app.server.url_map.iter_rules(), app.callback_map.items()
    of_server = (permissions.first_output(name) for name, one in callbacks if "callback" in one)
    commands = {
        about: {
            *permissions.OWNERS_COMMANDS.get(about, ()),
            *permissions.BENCH_COMMANDS.get(about, ()),
        }
        for about in REQUESTS
    }
    parts = [
        *(("endpoint", rule.endpoint, permissions.ENDPOINTS) for rule in rules),
        *(("callback", name, permissions.CALLBACKS) for name in of_server),
        *(("page", page["module"], permissions.PAGES) for page in dash.page_registry.values()),
        *(
            (f"command about {about}", do, commands[about])
            for about, actions in REQUESTS.items()
            for do in actions
        ),
    ]
    return sorted({f"{what} {name}" for what, name, table in parts if name not in table})
