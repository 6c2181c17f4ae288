"""The board asked as a browser asks it, and the text of what it answers."""

from __future__ import annotations

import json

import dash

HERE = {"Origin": "http://localhost", "Sec-Fetch-Site": "same-origin"}


def said(component) -> str:
    """Everything a component says, as one text."""
    if component is None:
        return ""
    if isinstance(component, list | tuple):
        return " ".join(said(part) for part in component)
    if isinstance(component, dash.development.base_component.Component):
        return said(getattr(component, "children", None))
    return str(component)


def ask_dash(client, output, inputs, state=(), trigger=None, **headers):
    """A callback through the server, as the browser asks for it."""
    ids = output.strip(".").split("...")
    outputs = [dict(zip(("id", "property"), one.split("."), strict=True)) for one in ids]
    body = {
        "output": output,
        "outputs": outputs if output.startswith("..") else outputs[0],
        "inputs": [{"id": i, "property": p, "value": v} for i, p, v in inputs],
        "state": [{"id": i, "property": p, "value": v} for i, p, v in state],
        "changedPropIds": [trigger] if trigger else [],
    }
    return client.post("/_dash-update-component", json=body, headers=headers)


def ask_page(client, path, search="", **headers):
    output = "..'_pages_content.children'...'_pages_store.data'..".replace("'", "")
    inputs = [("_pages_location", "pathname", path), ("_pages_location", "search", search)]
    return ask_dash(client, output, inputs, trigger="_pages_location.pathname", **headers)


def do(client, **command):
    """A tap: status and answer of a command."""
    answer = client.post("/bench/do", json=command, headers=HERE)
    return answer.status_code, json.loads(answer.data)


def draw_view(client, name, values=(), *, held=None, pressed=(0, 0, 0), trigger=None, **headers):
    """A view of Past drawn as its page asks for it; `held`: what an earlier answer left there."""
    (entry,) = (
        one
        for one in client.get("/_dash-dependencies").json
        if one["output"].startswith(f"..{name}-plot.figure")
    )
    steps = zip(("earlier", "later", "now"), pressed, strict=True)
    known = {f"{name}-{step}": times for step, times in steps}
    known |= {f"{name}-dates": 0, "token": ""}
    known |= {
        store: held[store]["data"]
        for store in held or ()
        if store in (f"{name}-view", f"{name}-seen")
    }
    known |= dict(values)
    inputs, state = (
        [(one["id"], one["property"], known.get(one["id"])) for one in entry[part]]
        for part in ("inputs", "state")
    )
    return ask_dash(client, entry["output"], inputs, state, trigger, **headers)
