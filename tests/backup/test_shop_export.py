"""The whole store in open formats: every row comes back, and a stranger can read it."""

from __future__ import annotations

import contextlib
import json
import os
import shutil

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from conftest import benchweather
from full_store import SERIES, T0, content, fill

from monitor import settings
from monitor.backup import columns, shop_export
from monitor.backup.archive import BackupFault
from monitor.core.clock import to_ms
from monitor.core.measurements import Quantity, Reading, Series
from monitor.people.access_store import store_of
from monitor.people.board_keys import make_board_keys
from monitor.people.roles import Role
from monitor.store import Reader, Writer, copying, migrations

MONTH_END_MS = to_ms(pd.Timestamp("2026-12-01", tz="UTC").to_pydatetime())


def shop_in(data):
    return settings.load(data=data, environ={})


def fill_all(address):
    """Rows in every table, at both sides of a month's end, before 1970 and far ahead."""
    with contextlib.closing(Writer(address)) as writer:
        fill(writer)
        one = Series("front-bench", "fb-1", Quantity.HUMIDITY)
        times = (MONTH_END_MS - 1, MONTH_END_MS, MONTH_END_MS + 1, -1, 4_102_444_800_000)
        writer.write([Reading(one, ts_ms, 41.1 + i) for i, ts_ms in enumerate(times)])
        with writer.connection.transaction() as run:
            run.execute("UPDATE forecast SET latitude = ?", (float("inf"),))
        return content(writer.connection)


@pytest.fixture(scope="module")
def exported(tmp_path_factory):
    """An export, and the rows of its store."""
    folder = tmp_path_factory.mktemp("exported")
    rows = fill_all(folder / "shop" / "readings.sqlite3")
    shop_export.write(shop_in(folder / "shop"), folder / "export")
    return folder / "export", rows


@pytest.fixture
def export(exported, tmp_path):
    """A copy of the export, to be changed."""
    shutil.copytree(exported[0], tmp_path / "export")
    return tmp_path / "export"


def test_every_row_of_every_table_comes_back(exported, tmp_path):
    folder, rows = exported
    assert all(rows.values())
    shop = shop_in(tmp_path)
    done = shop_export.read(shop, folder)
    assert [one.name for one in tmp_path.iterdir()] == ["readings.sqlite3"]
    with contextlib.closing(Reader(shop.store_path)) as reader:
        assert content(reader.connection) == rows
    assert done.rows == sum(map(len, rows.values()))
    with pytest.raises(BackupFault, match="import into a data folder without a store"):
        shop_export.read(shop, folder)


@pytest.mark.slow
def test_a_store_on_a_server_is_exported_the_same(tmp_path, postgresql_server):
    url = postgresql_server.address()
    rows = fill_all(url)
    shop = settings.load(data=tmp_path, environ={"BENCHWEATHER_STORE__URL": url})
    people = store_of(shop)
    people.add_person("Eilidh", Role.OWNER, "elf pipe nor sky", 1)
    keys = make_board_keys(people.home.files)
    made = shop_export.write(shop, tmp_path / "export")
    secrets = ("Eilidh", people.password_of("Eilidh")[1], *keys)
    for path in (tmp_path / "export").rglob("*.*"):
        assert not any(secret.encode() in path.read_bytes() for secret in secrets), path
    again = shop_in(tmp_path / "new")
    assert shop_export.read(again, tmp_path / "export").tables == made.tables
    with contextlib.closing(Reader(again.store_path)) as reader:
        assert content(reader.connection) == rows


def test_a_stranger_can_read_it(exported):
    folder, _ = exported
    readings = pd.read_parquet(folder / "readings")
    found = {
        (r.place, r.sensor, r.quantity, int(r.measured_at.timestamp() * 1000), r.value)
        for r in readings.itertuples()
        if r.series_id < 4
    }
    at_ms = [T0 + 86_400_000 * i for i in range(50)]
    assert found == {(*one, at, 20 + i / 7) for one in SERIES for i, at in enumerate(at_ms)}
    assert set(readings.unit) == {"°C", "%"}
    month = pd.read_parquet(folder / "readings" / "2026-11.parquet")
    assert month.measured_at.max() == pd.Timestamp(MONTH_END_MS - 1, unit="ms", tz="UTC")
    events = pd.read_json(folder / "tables" / "event.jsonl", lines=True)
    assert list(events.by) == ["anna"] * 3
    assert json.loads(events.body[0]) == {"é": [None, 0.5, "\\"]}
    said = json.loads((folder / "settings.json").read_text())
    assert said["settings"]["board.port"] == 8050
    assert folder.stat().st_mode & 0o077 == 0
    assert all(path.stat().st_mode & 0o077 == 0 for path in folder.rglob("*"))


def test_the_text_says_whose_it_is_and_until_when():
    text = columns.readme("Low Lane Violins", 0, demo=True)
    assert "Low Lane Violins recorded with Benchweather until 1970-01-01T00:00" in text
    assert "all data is invented" in text
    assert "invented" not in columns.readme("", 0, demo=False)


def test_the_text_explains_every_column_of_every_table(exported):
    folder, _ = exported
    text = (folder / "README.txt").read_text()
    described = columns.PARQUET | columns.JSON
    assert set(described) == set(shop_export.TABLES)
    for name, (_, meanings) in described.items():
        if name in columns.PARQUET:
            (path, *_) = (folder / f"{name}s").iterdir()
            there = pq.read_schema(path).names
        else:
            path = folder / "tables" / f"{name}.jsonl"
            there = list(json.loads(path.read_text().splitlines()[0]))
        # If this fails, say in backup/columns.py what the new column is.
        assert sorted(meanings) == sorted(there), name
        assert all(f"  {one}: {meaning}\n" in text for one, meaning in meanings.items())


def test_an_export_is_of_one_moment(tmp_path):
    rows = fill_all(tmp_path / "shop" / "readings.sqlite3")
    shop, late = shop_in(tmp_path / "shop"), []

    def on_rows(_):
        late.append(1)
        with contextlib.closing(Writer(shop.store_path)) as writer:
            writer.write([Reading(SERIES[0], T0 + len(late), 9.0)])

    shop_export.write(shop, tmp_path / "export", on_rows)
    assert len(late) > 10
    again = shop_in(tmp_path / "new")
    shop_export.read(again, tmp_path / "export")
    with contextlib.closing(Reader(again.store_path)) as reader:
        assert content(reader.connection) == rows


def test_an_export_of_an_older_version_is_brought_up_to_date(export, tmp_path):
    """Steps after 10 added tables: an export of step 10 does not have them."""
    manifest = json.loads((export / "manifest.json").read_text())
    manifest["step"] = 10
    for later in ("forecast_member", "shop_state", "retention"):
        del manifest["tables"][later]
        (export / "tables" / f"{later}.jsonl").unlink()
    (export / "manifest.json").write_text(json.dumps(manifest))
    shop = shop_in(tmp_path / "new")
    shop_export.read(shop, export)
    with contextlib.closing(Reader(shop.store_path)) as reader:
        steps = reader.connection.rows("SELECT number FROM schema_step ORDER BY 1")
        assert [number for (number,) in steps] == [one.number for one in migrations.steps()]
        assert reader.connection.rows("SELECT * FROM forecast_member") == []


def line(name, change):
    def spoil(export):
        path = export / "tables" / f"{name}.jsonl"
        lines = path.read_text().splitlines()
        row = json.loads(lines[0])
        change(row)
        path.write_text("\n".join([json.dumps(row), *lines[1:]]))

    return spoil


def history(**more):
    """A changed event, with the checksum that fits it."""

    def spoil(export):
        line("event", lambda row: row.update(more))(export)
        lines = (export / "tables" / "event.jsonl").read_text().splitlines()
        path = export / "manifest.json"
        found = json.loads(path.read_text())
        found["tables"]["event"] = copying.summed([[json.loads(one).values() for one in lines]])
        path.write_text(json.dumps(found))

    return spoil


def pipe(name):
    def spoil(export):
        (export / name).unlink()
        os.mkfifo(export / name)

    return spoil


def listed(**more):
    def spoil(export):
        path = export / "manifest.json"
        path.write_text(json.dumps(json.loads(path.read_text()) | more))

    return spoil


def parquet(change):
    def spoil(export):
        (path, *_) = sorted((export / "readings").iterdir())
        pq.write_table(change(pq.read_table(path)), path)

    return spoil


def one_ulp(table):
    values = table.column("value").to_pylist()
    values[-1] += 1e-14
    return table.set_column(table.schema.get_field_index("value"), "value", pa.array(values))


@pytest.mark.parametrize(
    "spoil",
    [
        line("event", lambda row: row.update(by="somebody else")),
        line("event", lambda row: row.pop("by")),
        line("event", lambda row: row.update(recorded_ms=2**70)),
        line("event", lambda row: row.update(recorded_ms="soon")),
        line("event", lambda row: row.update(body=[1])),
        line("event", lambda row: row.update(body="\ud800")),
        line("event", lambda row: row.update(body=True)),
        line("outbox", lambda row: row.update(notice_id="nothing")),
        line("refused", lambda row: row.update(payload={"base64": "%"})),
        line("refused", lambda row: row.update(payload={})),
        history(body="{half"),
        history(body="[]"),
        history(body="[" * 100_000),
        history(about="nonsense"),
        history(recorded_ms=2**62),
        pipe("tables/event.jsonl"),
        lambda export: (export / "tables" / "event.jsonl").write_text("{"),
        lambda export: (export / "tables" / "event.jsonl").write_text("[" * 100_000),
        lambda export: (export / "tables" / "event.jsonl").write_bytes(b"\xff\xfe"),
        lambda export: (export / "tables" / "event.jsonl").unlink(),
        lambda export: sorted((export / "readings").iterdir())[0].unlink(),
        lambda export: sorted((export / "readings").iterdir())[0].write_bytes(b"PAR1"),
        parquet(one_ulp),
        parquet(lambda table: table.drop(["value"])),
        parquet(lambda table: table.slice(1)),
        parquet(lambda table: pa.concat_tables([table, table])),
        parquet(lambda t: t.set_column(0, "series_id", pa.array(["x"] * len(t)))),
        parquet(lambda t: t.set_column(0, "series_id", pa.array([99] * len(t)))),
        listed(step=99),
        listed(step=3),
        listed(step=-1),
        listed(format=2),
        listed(tables={}),
        listed(tables={"../../x": [0, 0]}),
        listed(tables=5),
        lambda export: (export / "manifest.json").write_text("{}"),
        lambda export: (export / "manifest.json").unlink(),
    ],
)
def test_a_changed_export_is_refused_in_words_and_leaves_nothing(export, tmp_path, spoil):
    spoil(export)
    data = tmp_path / "new"
    data.mkdir()
    with pytest.raises(BackupFault, match="export"):
        shop_export.read(shop_in(data), export)
    assert list(data.iterdir()) == []


def test_the_commands_export_and_import(exported, tmp_path):
    folder, _ = exported
    data = folder.parent / "shop"

    def store(*arguments, **more):
        environment = {"BENCHWEATHER_DATA": str(data), "COLUMNS": "300"} | more
        done = benchweather("store", *arguments, environment=environment)
        return done.returncode, done.stdout + done.stderr

    new, out = str(tmp_path / "new"), str(tmp_path / "out")
    for arguments, code, said in (
        (("export", out), 0, "rows of 22 tables are in"),
        (("export", out), 1, "is not empty: name a folder"),
        (("export", out, "--data", new), 1, "No readings in"),
        (("import", str(tmp_path / "none"), "--data", new), 1, "is not an export of Benchweather"),
        (("import", out, "--data", new, "--demo"), 1, "is of a real shop: leave out --demo"),
        (("import", out, "--data", new), 0, "each as in the export."),
        (("import", out, "--data", new), 1, "import into a data folder without a store"),
    ):
        found = store(*arguments)
        assert found[0] == code, (arguments, found)
        assert said in found[1], (arguments, found)
    found = store("import", out, BENCHWEATHER_STORE__URL="postgresql://u@h.invalid/d")
    assert found[0] == 2
    assert "store.url is set: remove it" in found[1]
