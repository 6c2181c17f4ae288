"""CSV of every export: no cell that a spreadsheet calculates, and every text comes back."""

from __future__ import annotations

import contextlib
import csv
import io
import re

import dashboard_fixtures as shop_air
import numpy as np
import pytest
from conftest import ROOT
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from monitor.cli import app
from monitor.clients import air_certificate
from monitor.commands import Commands
from monitor.core.clock import now_ms
from monitor.core.csv_text import CsvWriter, defused, restored
from monitor.core.measurements import MEASURES, Quantity, Reading, Series
from monitor.readings import export
from monitor.sensor_care.calibration import JarWatch
from monitor.store import Reader, Writer

HOUR = 3_600_000
PLACE, SENSOR = "=A1", "@SUM(A1)"
WHY = '=HYPERLINK("http://example.com")'
STARTS = "=+-@\t\r\n\uff1d\uff0b\uff0d\uff20"


def calculated(cell: str) -> bool:
    """Whether a spreadsheet may calculate a cell; written apart from the product's own rule."""
    try:
        float(cell)
    except ValueError:
        return cell[:1] in tuple(STARTS) or cell.lstrip()[:1] in tuple(STARTS)
    return False


def cells_of(text: str, delimiter: str = ",") -> list[str]:
    cells = [cell for row in csv.reader(io.StringIO(text), delimiter=delimiter) for cell in row]
    assert cells
    return cells


HOSTILE = st.text(st.sampled_from(STARTS + "'1.e a\"0é"), max_size=6) | st.text(max_size=6)


@pytest.mark.slow
@given(st.lists(HOSTILE, min_size=1))
def test_a_row_has_no_formula_and_comes_back(texts):
    out = io.StringIO()
    CsvWriter(out).row(texts)
    (found,) = csv.reader(io.StringIO(out.getvalue(), newline=""))
    assert not [cell for cell in found if calculated(cell)]
    assert [restored(cell) for cell in found] == texts


@given(st.floats(allow_nan=False, allow_infinity=False) | st.integers())
def test_numbers_stay_numbers(number):
    for text in (str(number), f"{number:.6g}", f"{number:+.2f}"):
        assert defused(text) == text
    out = io.StringIO()
    CsvWriter(out).row([number])
    assert float(out.getvalue()) == float(number)


def test_no_other_module_makes_a_csv_writer():
    writers = {
        path.relative_to(ROOT).as_posix()
        for package in ("monitor", "dashboard", "sensors")
        for path in (ROOT / package).rglob("*.py")
        if re.search(r"csv\.writer|DictWriter|\.to_csv\(", path.read_text(encoding="utf-8"))
    }
    assert writers == {"monitor/core/csv_text.py", "monitor/readings/export.py"}


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    """A shop whose place and sensors are named like formulas; one reading is voided."""
    settings = shop_air.settings_in(tmp_path_factory.mktemp("formulas"))
    end = now_ms() - HOUR
    times = range(end - 80 * 24 * HOUR, end, HOUR // 2)
    with (
        contextlib.closing(Writer(settings.store_path)) as writer,
        contextlib.closing(Reader(settings.store_path)) as reader,
    ):
        for quantity, middle in ((Quantity.TEMPERATURE, -4.2), (Quantity.HUMIDITY, 15.0)):
            series = Series(PLACE, SENSOR, quantity)
            wave = middle + 10 * np.sin(np.arange(len(times)) / 300)
            wave[900:1000] += 30  # outside the target band, for climate.csv
            writer.write(
                [Reading(series, t, v) for t, v in zip(times, wave.tolist(), strict=True)]
            )
        Commands(writer, look=JarWatch(reader, settings)).carry_out(
            {
                "about": "sensor",
                "do": "void-readings",
                "sensor": f"{PLACE}/{SENSOR}",
                "from_ms": end - 3 * HOUR,
                "until_ms": end,
                "why": WHY,
                "by": "Ina",
            },
            now_ms(),
        )
    return settings


def printed(settings, *words) -> str:
    done = CliRunner().invoke(app, [*map(str, words), "--data", str(settings.data)])
    assert done.exit_code == 0, done.output
    return done.stdout


@pytest.mark.slow
def test_no_export_has_a_cell_that_a_spreadsheet_calculates(shop, tmp_path):
    client = shop_air.board_client(shop)
    span = f"start={now_ms() - 9 * 24 * HOUR}&end={now_ms()}"
    printed(shop, "replay-rules", "--from", "2026-11-01", "--csv", tmp_path / "alerts.csv")
    log = tmp_path / "log.csv"
    log.write_text("=time,=T\n2025-01-05T10:00:00Z,=1+2\n@x,3\n2025-01-05T11:00:00Z,-4\n")
    printed(
        shop,
        *("import", log, "--place", "b", "--sensor", "s", "--time", "=time", "--dry-run"),
        *("--take", "temperature:Cel:=T", "--rejected", tmp_path / "lines"),
    )
    record = [air_certificate.CertificateRow("wait", 0, 0, place=PLACE, low=-4.2, text=WHY)]
    texts = {
        "export": printed(shop, "export"),
        "export --every": printed(shop, "export", "--every", "hour"),
        "export --raw": printed(shop, "export", "--raw"),
        "replay-rules": (tmp_path / "alerts.csv").read_text("utf-8"),
        "past.csv": client.get(f"/past.csv?places={PLACE}&quantity=temperature&{span}").text,
        "climate.csv": client.get(f"/past/climate.csv?place={PLACE}&end={now_ms()}").text,
        "record": air_certificate.csv_of(record).decode(),
    }
    for name, text in texts.items():
        cells = cells_of(text)
        assert f"'{PLACE}".lower() in [cell.lower() for cell in cells], name
        assert not [cell for cell in cells if calculated(cell)], name
    assert f"'{WHY}" in cells_of(texts["export --raw"])
    assert any(re.fullmatch(r"-\d+\.\d+", cell) for cell in cells_of(texts["past.csv"]))
    lines = cells_of((tmp_path / "lines").read_text("utf-8"), "\t")
    assert any(cell.startswith("'=T '=1+2'") for cell in lines)
    assert not [cell for cell in lines if calculated(cell)]


def test_a_raw_export_is_read_as_it_was_stored(shop, tmp_path):
    (tmp_path / "raw.csv").write_text(printed(shop, "export", "--raw"), encoding="utf-8")
    found = export.read_raw(tmp_path / "raw.csv")
    assert {series[:2] for series in found} == {(PLACE, SENSOR)}
    with contextlib.closing(Reader(shop.store_path)) as reader:
        for series, (ts_ms, values) in found.items():
            stored_ms, stored = reader.raw_values(series, 0, 2**53)
            assert ts_ms.tolist() == stored_ms.tolist()
            assert values.tolist() == stored.tolist()
            assert MEASURES[series.quantity].column in ("temp_c", "rh_pct")
