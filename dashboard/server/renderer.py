"""Dash's script that draws pages, without the messages that make a large page slow to open.

Each part of a page that is drawn for the first time sends one (`RESET_COMPONENT_STATE`, Dash 4.2 to
4.4), and at each message every part of the page looks whether it has changed: on Bench, 600 times
600. The message forgets the changes that were counted of the part and of what is in it. Where none
were counted it has nothing to do, and is not sent.
"""

from __future__ import annotations

import functools
import re

import flask

SENT = re.compile(rb"(\w+)&&(\w+)\((\w+)\(\{itempath:(\w+)\}\)\)\},\[\1\]\)")
"""Where the script sends it: `drawn && dispatch(reset({itempath: path}))`, depending on `drawn`."""
WHERE_COUNTED = (
    rb"\1&&\2(function(send,state){var at=\4.join(',');"
    rb"Object.keys(state().layoutHashes).some(function(one){return one.startsWith(at)})"
    rb"&&send(\3({itempath:\4}))})},[\1])"
)


@functools.lru_cache(2)
def quickened(script: bytes) -> bytes:
    """The script, which sends the message only where it has something to do; another as it is."""
    if len(SENT.findall(script)) != 1:
        return script
    return SENT.sub(WHERE_COUNTED, script)


def register(server: flask.Flask) -> None:
    """Let the server answer with the quicker script."""
    (rule,) = (one for one in server.url_map.iter_rules() if "component-suites" in one.rule)
    serve = server.view_functions[rule.endpoint]

    def quicker(package_name: str, fingerprinted_path: str) -> flask.Response:
        response = flask.make_response(
            serve(package_name=package_name, fingerprinted_path=fingerprinted_path)
        )
        if "/dash_renderer." in fingerprinted_path and response.status_code == 200:
            response.set_data(quickened(response.get_data()))
        return response

    server.view_functions[rule.endpoint] = quicker
