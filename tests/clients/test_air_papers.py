"""Records of air: what stands in them, and that a changed one is found out, through the service."""

from __future__ import annotations

import contextlib
import csv
import io

import dashboard_fixtures as shop_air
import pypdfium2
import pytest
from typer.testing import CliRunner

from monitor.cli import app
from monitor.clients import air_certificate
from monitor.commands import Journal
from monitor.core.clock import now_ms
from monitor.core.errors import Rejected
from monitor.store import Reader, Writer, retention

DAY = shop_air.DAY_MS


@pytest.fixture
def shop(tmp_path):
    settings = shop_air.settings_in(tmp_path)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        now = now_ms()
        shop_air.fill(
            writer, "front-bench", now - 6 * DAY, now, 600_000, gap=(now - 2 * DAY, now - DAY)
        )
        commands = shop_air.commanded(writer, settings)
        commands.carry_out(
            {
                "about": "instrument",
                "do": "register",
                "reference": "VN-31",
                "kind": "violin",
                "place": "front-bench",
                "arrived_ms": now - 5 * DAY,
                "note": "Tam Orrin's",
            },
            now,
        )
        commands.carry_out(
            {
                "do": "open",
                "kind": "cleat",
                "place": "front-bench",
                "instrument": "VN-31",
                "start_ms": now - 4 * DAY,
            },
            now,
        )
        commands.carry_out({"do": "release", "wait": "1", "at_ms": now - 3 * DAY}, now)
        with contextlib.closing(Reader(settings.store_path)) as reader:
            yield settings, commands, reader, now


def made(shop):
    settings, _, reader, now = shop
    journal = Journal(reader)
    rows = air_certificate.certificate_rows(
        reader, journal, settings, journal.instruments["vn-31"], now
    )
    return rows, air_certificate.certificate_files(rows, "Kestrel Row Strings", settings)


def test_a_record_holds_band_extremes_time_outside_waits_gaps_and_sensors(shop):
    rows, paper = made(shop)
    by = {row.what: row for row in rows}
    assert (by["band"].low, by["band"].high) == (40.0, 60.0)
    assert by["wait"].mean == pytest.approx(24.0)
    assert by["wait"].text.endswith("released")
    assert by["without readings"].mean == pytest.approx(24.0, abs=0.4)
    air = next(r for r in rows if r.what == "air" and r.unit == "% RH")
    with contextlib.closing(Reader(shop[0].store_path)) as reader:
        from monitor.air.place_means import means

        rh = means(reader, "front-bench", shop[3] - 5 * DAY, shop[3]).rh_pct
    assert (air.low, air.high) == (rh.min(), rh.max())
    assert by["below the band"].mean == pytest.approx((rh < 40).sum() / 6)
    assert {r.unit for r in rows if r.what == "sensor"} == {"± % RH", "± K"}
    table = list(csv.reader(io.StringIO(paper.csv.decode())))
    assert len(table) == len(rows) + 2
    assert b"Tam Orrin" not in paper.csv  # a note may name the client
    text = pypdfium2.PdfDocument(paper.pdf)[0].get_textpage().get_text_range()
    assert table[-1][1][:16] in text.replace("\r\n", "")


def test_a_record_of_a_stay_whose_readings_were_cleared_says_the_same(shop):
    settings, commands, _, now = shop
    commands.carry_out(
        {"about": "instrument", "do": "leave", "instrument": "VN-31", "at_ms": now - 2 * DAY}, now
    )
    before, _ = made(shop)
    with contextlib.closing(Writer(settings.store_path)) as writer:
        limit = now - now % 3_600_000 - DAY
        assert sum(retention.clear(writer, i, limit, float("inf")) for i in (1, 2)) > 1000
    after, _ = made(shop)
    assert [row.text for row in after] == [row.text for row in before]
    for was, row in zip(before, after, strict=True):
        assert abs(row.to_ms - was.to_ms) <= 300_000
        assert row[4:7] == pytest.approx(was[4:7])


def test_what_was_given_out_is_known_again_and_one_changed_digit_is_found(shop):
    _, paper = made(shop)
    _, commands, reader, now = shop
    strange = air_certificate.check(paper.csv, Journal(reader))
    assert (strange.sound, strange.known) == (True, False)
    commands.carry_out(
        {
            "about": "instrument",
            "do": "record",
            "instrument": "VN-31",
            "fingerprints": paper.fingerprints,
        },
        now,
    )
    journal = Journal(reader)
    assert journal.instruments["vn-31"].here
    for part in paper:
        found = air_certificate.check(part, journal)
        assert (found.sound, found.known, found.reference) == (True, True, "VN-31")
        at = len(part) // 2
        changed = part[:at] + bytes([part[at] ^ 1]) + part[at + 1 :]
        assert air_certificate.check(changed, journal) == (False, False, "", 0)


@pytest.mark.parametrize("given", [None, [], ["ab"], ["g" * 64], "a" * 64, [1]])
def test_a_fingerprint_must_be_one(shop, given):
    with pytest.raises(Rejected):
        shop[1].carry_out(
            {"about": "instrument", "do": "record", "instrument": "VN-31", "fingerprints": given},
            shop[3],
        )


def test_a_text_that_a_spreadsheet_would_run_is_kept_as_text():
    rows = [air_certificate.CertificateRow("wait", 0, 0, text="=HYPERLINK(1)")]
    assert b",'=HYPERLINK(1)" in air_certificate.csv_of(rows)


def test_the_command_asks_the_service_and_its_files_are_known_again(shop, tmp_path):
    settings, commands, _, _ = shop

    def run(*words):
        return CliRunner().invoke(app, [*words, "--data", str(settings.data)])

    to = tmp_path / "papers"
    assert run("record", "VN-31", "--to", str(to)).exit_code == 1  # no service
    assert not to.exists()
    with shop_air.command_link(settings, commands):
        done = run("record", "VN-31", "--to", str(to))
    assert done.exit_code == 0, done.output
    assert done.output.splitlines() == [str(to / f"air-vn-31.{s}") for s in ("csv", "pdf")]
    for path in to.iterdir():
        assert run("verify-record", str(path)).exit_code == 0
    changed = to / "air-vn-31.csv"
    changed.write_bytes(changed.read_bytes().replace(b"VN-31", b"VN-32"))
    assert run("verify-record", str(changed)).exit_code == 1
    assert run("record", "VN-99", "--to", str(to)).exit_code == 1
