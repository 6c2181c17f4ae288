"""Past sheets: kept with all that they rest on, so that each can be found, made again and erased.

A sheet is kept under the name it was made for; one for nobody is not kept. The board asks for it by
the service's command link, the command line asks the store; neither way goes through the journal,
which never forgets, and nothing of a command is logged.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np

from monitor.clients.home_climate import HomeSources, HourlyLog
from monitor.clients.request import TEXT_MAX, SheetRequest, read_sheet_request
from monitor.core.clock import from_ms
from monitor.core.errors import MonitorError
from monitor.core.measurements import text_fault
from monitor.science.case.outdoors import OutdoorYear
from monitor.store import client_sheets
from monitor.store.client_sheets import ClientSheet

if TYPE_CHECKING:
    from monitor.clients.calculation import SheetCalculation
    from monitor.clients.sheet import Sheet
    from monitor.store import Reader, Writer

ABOUT, KEEP, ERASE = "client", "keep", "erase"
"""The words of a command about past sheets."""
LATEST_MS = 2**42
"""Time before which sheets are made, in 2109. [ms since 1970-01-01 UTC]"""


class PastFault(MonitorError, ValueError):
    """A request for past sheets that cannot be carried out."""


def keeping(
    worked: SheetCalculation, airs: HomeSources, sheet: Sheet, made_ms: int
) -> dict[str, Any]:
    """The command that keeps a sheet."""
    return {
        "about": ABOUT,
        "do": KEEP,
        "typed": dict(worked.request.typed),
        "made_ms": made_ms,
        "advised": _figures(worked, sheet),
        "air": packed(airs),
    }


def erasing(client: str) -> dict[str, Any]:
    """The command that erases what is kept of a client."""
    return {"about": ABOUT, "do": ERASE, "client": client}


def carry_out(writer: Writer, command: Mapping[str, Any]) -> Mapping[str, Any]:
    """Keep or erase, on disk when this returns.

    Returns
    -------
    mapping
        `sheet`: the id of the sheet kept; `erased`: how many went.

    Raises
    ------
    PastFault, ClientFault, StoreUnavailable
    """
    if command.get("do") == ERASE:
        client = command.get("client")
        if fault := text_fault(client, TEXT_MAX):
            raise PastFault(f"client {fault}")
        return {"erased": client_sheets.erase(writer, str(client))}
    if command.get("do") != KEEP:
        raise PastFault(f"do = {command.get('do')!r:.20}: must be {KEEP} or {ERASE}")
    request = read_sheet_request(command["typed"])
    if not request.title:
        raise PastFault("a sheet without the client's name (title) is not kept")
    made_ms, advised, air = (command.get(field) for field in ("made_ms", "advised", "air"))
    if not (
        (isinstance(made_ms, int) and 0 < made_ms < LATEST_MS)
        and (isinstance(advised, dict) and isinstance(advised.get("lead"), str))
        and isinstance(air, dict)
    ):  # the page of clients could not list it
        raise PastFault("this is not a calculated sheet")
    kept = client_sheets.keep(writer, request.title, made_ms, request.typed, advised, air)
    return {"sheet": kept}


def found(store: Reader | Writer, text: str = "") -> list[ClientSheet]:
    """Past sheets, the one made last first, with a text in the name or the instrument."""
    wanted = text.strip().casefold()
    return [
        one
        for one in client_sheets.all_of(store)
        if wanted in f"{one.client} {one.typed.get('instrument', '')}".casefold()
    ]


def one(store: Reader | Writer, sheet_id: int) -> ClientSheet | None:
    """A past sheet by its id; None if there is none."""
    return client_sheets.one(store, sheet_id)


def again(sheet: ClientSheet) -> tuple[SheetRequest, HomeSources]:
    """Request and home air of a past sheet.

    Raises
    ------
    ClientFault
        If this version does not take it as it was.
    """
    return read_sheet_request(sheet.typed), airs_of(sheet.air)


def exported(store: Reader | Writer, client: str) -> dict[str, Any]:
    """Everything kept of a client, to be written as JSON. Temperatures °C, RH %, times UTC."""
    sheets = client_sheets.all_of(store, client)
    return {
        "client": client,
        "sheets": [
            {
                "sheet": s.sheet_id,
                "made_at": from_ms(s.made_ms).isoformat(),
                "typed": s.typed,
                "advised": s.advised,
                "air": s.air,
            }
            for s in sheets
        ],
    }


def airs_of(kept: Mapping[str, Any]) -> HomeSources:
    """The air as it was kept."""
    outdoors, logs = kept.get("outdoors"), {}
    for name in ("log", "shop"):
        if (log := kept.get(name)) is not None:
            logs[name] = HourlyLog(_floats(log["temp_c"]), _floats(log["rh_pct"]))
    return HomeSources(
        outdoors=OutdoorYear(
            _floats(outdoors["temp_c"]), _floats(outdoors["vapour_pa"]), bool(outdoors["smooth"])
        )
        if outdoors
        else None,
        station=str(kept.get("station", "")),
        **logs,
    )


def packed(airs: HomeSources) -> dict[str, Any]:
    """The air as it is kept, to a thousandth."""
    kept: dict[str, Any] = {}
    if airs.outdoors is not None:
        air = airs.outdoors
        kept["outdoors"] = {
            "temp_c": _listed(air.temp_c),
            "vapour_pa": _listed(air.vapour_pa),
            "smooth": air.smooth,
        }
        kept["station"] = airs.station
    for name, log in (("log", airs.log), ("shop", airs.shop)):
        if log is not None:
            kept[name] = {"temp_c": _listed(log.temp_c), "rh_pct": _listed(log.rh_pct)}
    return kept


def _figures(worked: SheetCalculation, sheet: Sheet) -> dict[str, Any]:
    advised, refills = worked.advised, worked.refills
    return {
        "lead": sheet.lead,
        "measure": advised.kind,
        "holds": advised.holds,
        "held_share": advised.held_share,
        "band_pct": list(worked.request.band_pct),
        "device": asdict(advised.device) if advised.device else None,
        "room_humidifier": asdict(advised.room) if advised.room else None,
        "days_in": _listed(advised.days_in),
        "lowest_pct": _listed(advised.lowest_pct),
        "highest_pct": _listed(advised.highest_pct),
        "week_ml": _listed(advised.week_ml),
        "year_l": _listed(advised.year_l),
        "refills": {"months": list(refills.months), "every_d": refills.every_d}
        if refills
        else None,
    }


def _listed(values: Sequence[float] | np.ndarray) -> list[float | None]:
    """To a thousandth; None where there is no number."""
    return [round(float(v), 3) if math.isfinite(v) else None for v in values]


def _floats(values: Sequence[float | None]) -> np.ndarray:
    return np.array([np.nan if v is None else v for v in values], dtype=np.float64)
