"""The sheet in other languages: catalogues are whole, and everything on the page comes from them."""

from __future__ import annotations

import string
from dataclasses import replace
from datetime import date

import generated_texts
import pypdfium2
import pytest
import zxingcpp
from babel import Locale
from babel.dates import format_date, get_month_names
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po
from babel.numbers import format_decimal
from client_fixtures import INLAND, MADE_MS, PARIS, calculated
from conftest import ROOT
from icalendar import Calendar

from monitor.clients.catalogue import Catalogue
from monitor.clients.html import html_of
from monitor.clients.language import LANGUAGES, Language, LanguageFault
from monitor.clients.pdf import pdf_of
from monitor.clients.request import read_sheet_request
from monitor.clients.sheet import sheet_of

FOLDER = ROOT / "monitor" / "clients"
KEYWORDS = {"text": None, "marked": None, "many": (1, 2)}
"""What a text is named by in the sources, as `pybabel extract -k` has them in DEVELOPERS.md."""
OTHERS = [name for name in LANGUAGES if name != "en"]


def catalogue(name):
    with (FOLDER / "locale" / name).open("rb") as file:
        return read_po(file)


def test_regions_are_babels():
    assert generated_texts.REGIONS.read_text("utf-8") == generated_texts.regions()


@pytest.mark.parametrize("code", ["en-GB", "en-US", "en-ZA", "en-FR", "de", "de-AT"])
def test_figures_and_dates_are_written_as_babel_writes_them(code):
    language = Language(code)
    locale = Locale.parse("de-DE" if code == "de" else code, sep="-")
    for value in (0.0, -0.04, 3.14159, 12.5, 1234.5, -98765.432, 1e6, 0.05, 2.675):
        for digits in (0, 1, 2):
            shape = "#,##0" + ("." + "0" * digits if digits else "")
            there = format_decimal(round(value, digits) + 0.0, shape, locale)
            assert language.number(value, digits) == there.replace("-", "−")
    for month in range(1, 13):
        assert language.month(month) == get_month_names("wide", "stand-alone", locale)[month]
        moment = date(2026, month, 2 * month)
        assert language.day(moment) == format_date(moment, "long", locale)


def test_swiss_figures_have_cldrs_apostrophe():
    # Babel leaves an apostrophe out, which quotes in its patterns.
    symbols = Locale.parse("de_CH").number_symbols["latn"]
    assert Language("de-CH").number(1234.5, 1) == f"1{symbols['group']}234{symbols['decimal']}5"


def test_a_code_is_known_in_any_case_and_others_are_refused():
    assert Language("DE-at").code == "de-AT"
    assert Language("en").code == "en-GB"
    for code in ("fr-FR", "en-XX", "", "de_DE", "x" * 99):
        with pytest.raises(LanguageFault, match="must be one of en, de"):
            Language(code)


def test_a_catalogue_is_read_as_babel_reads_it():
    source = (FOLDER / "locale/de.po").read_text(encoding="utf-8")
    ours, theirs = Catalogue(source), catalogue("de.po")
    for message in theirs:
        if not message.id:
            continue
        if message.pluralizable:
            one, more = message.id
            assert ours.ngettext(one, more, 1) == message.string[0]
            assert {ours.ngettext(one, more, n) for n in (0, 2, 5)} == {message.string[1]}
        else:
            assert ours.gettext(message.id) == message.string
    assert ours.gettext("not there") == "not there"
    assert [ours.ngettext("{n} x", "{n} xs", n) for n in (1, 2)] == ["{n} x", "{n} xs"]


def forms(text):
    return (text,) if isinstance(text, str) else tuple(text)


def named(text):
    return {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}


def test_the_template_has_just_the_texts_of_the_sources():
    found = {
        message for _, _, message, _, _ in extract_from_dir(FOLDER, keywords=KEYWORDS) if message
    }
    kept = {m.id for m in catalogue("sheet.pot") if m.id}
    assert len(found) > 100
    assert {forms(m) for m in kept} == {forms(m) for m in found}


@pytest.mark.parametrize("name", OTHERS)
def test_a_catalogue_has_every_text_once_whole_and_with_the_same_places(name):
    read = catalogue(f"{name}.po")
    assert {forms(m.id) for m in read if m.id} == {
        forms(m.id) for m in catalogue("sheet.pot") if m.id
    }
    assert len(read.plural_forms) > 0
    for message in read:
        if not message.id:
            continue
        told = forms(message.string)
        assert not message.fuzzy, message.id
        assert len(told) == (read.num_plurals if message.pluralizable else 1), message.id
        assert all(told), message.id
        wanted = named(forms(message.id)[-1])
        for text in told:
            # "every day" may leave out the number, as in English
            assert named(text) in (wanted, named(forms(message.id)[0])), message.id
    assert not read.obsolete


@pytest.fixture(scope="module")
def pairs():
    """Sheets of the same figures in English and in German, of all kinds of advice."""
    found = []
    for more in (
        {},
        {"device": "humidifier", "left_out": "8-20"},
        {"case": "bass, cover"},
        {"rh.1": 62.0, "out.1": 5.0, "rh.7": 78.0},
    ):
        said = {**INLAND, **more, "title": "Ina"}
        worked = calculated(said)
        german = replace(worked, request=read_sheet_request(said | {"language": "de"}))
        both = [sheet_of(one, "Kestrel Row", MADE_MS, PARIS) for one in (worked, german)]
        found.append(both)
    return found


@pytest.mark.slow
def test_nothing_on_the_german_sheet_is_left_in_english(pairs):
    same = {"paper", "shop", "fills", "qr", "plot", "reminders"}
    for english, german in pairs:
        for field, there in english._asdict().items():
            here = getattr(german, field)
            if field in same or not there:
                continue
            if field == "table":
                assert set(here.heads).isdisjoint(there.heads)
                assert {r[0] for r in here.rows}.isdisjoint(r[0] for r in there.rows)
            elif hasattr(there, "lines"):
                assert here.heading != there.heading
                assert set(here.lines).isdisjoint(there.lines)
            elif field == "months":
                assert here[11] == "Dez"
            elif isinstance(there, tuple):
                assert set(here).isdisjoint(there)
            else:
                assert here != there, field
        assert english.plot != german.plot
        assert german.language == "de-DE"
        if german.reminders:
            (event,) = Calendar.from_ical(german.reminders).walk("VEVENT")
            assert "im Etui" in event["SUMMARY"] or "Raumluft" in event["SUMMARY"]


@pytest.mark.slow
def test_the_german_page_is_one_whole_page(pairs):
    for _, german in pairs:
        document = pypdfium2.PdfDocument(pdf_of(german))
        assert len(document) == 1
        text = " ".join(document[0].get_textpage().get_text_range().replace("￾", "").split())
        for words in (german.lead, german.title, german.made, german.repairer):
            assert words in text
        assert '<html lang="de-DE">' in html_of(german)


@pytest.mark.slow
def test_a_reader_finds_the_reminders_in_the_code_on_the_printed_page(pairs):
    with_code = [sheet for both in pairs for sheet in both if sheet.reminders]
    assert len(with_code) > 3
    for sheet in with_code:
        page = pypdfium2.PdfDocument(pdf_of(sheet))[0].render(scale=200 / 72).to_pil()  # 200 dpi
        (code,) = zxingcpp.read_barcodes(page)
        assert code.format == zxingcpp.BarcodeFormat.QRCode
        assert code.bytes.decode() == sheet.reminders
        (event,) = Calendar.from_ical(code.bytes).walk("VEVENT")
        assert event["SUMMARY"]


def test_german_figures_and_dates_are_written_the_german_way():
    say = Language("de-DE")
    assert say.range((1.25, 1234.5, 2345.6), 1) == "1.234,5 (1,2 bis 2.345,6)"
    assert say.water(7.5) == "7,5 ml"
    assert say.listed((11, 12, 1, 2)) == "November bis Februar"
    assert say.temperature(-5) == "−5 °C"
    assert Language("de").code == "de-DE"
