"""Help on the board: the manual rendered on the server, its links, its search."""

from __future__ import annotations

import pytest
from dash import dcc, html

from dashboard.help import manual, markdown, page


def walk(part):
    """A component and everything in it."""
    if isinstance(part, list | tuple):
        for one in part:
            yield from walk(one)
        return
    yield part
    yield from walk(getattr(part, "children", None) or [])


def text_of(part) -> str:
    return "".join(one for one in walk(part) if isinstance(one, str))


@pytest.mark.parametrize("name", manual.SUBJECTS)
def test_a_subject_is_rendered_whole_and_its_links_lead_to_the_manual(name):
    article = markdown.rendered(manual.subjects()[name].source)
    parts = list(walk(article))
    assert sum(isinstance(one, html.H1) for one in parts) == 1
    assert "<!--" not in text_of(article)
    headings = {
        subject: {s.anchor for s in manual.sections() if s.subject.name == subject}
        for subject in manual.SUBJECTS
    }
    for link in (one for one in parts if isinstance(one, dcc.Link)):
        subject, _, anchor = link.href.removeprefix("/help/").partition("#")
        assert subject in headings
        assert not anchor or anchor in headings[subject]
    for section in manual.sections():  # what a search leads to is there to jump to
        if section.subject.name == name:
            assert any(getattr(one, "id", None) == section.anchor for one in parts)


def test_markdown_becomes_components_and_html_in_it_is_left_out():
    article = markdown.rendered(
        "# A *b*\n\n<script>bad()</script>\n\nOne `two` [three](air.md#places) <b>four</b>.\n\n"
        "1. first\n\n| a | b |\n|---|---|\n| c | d |\n\n```sh\nrun <it>\n```\n"
    )
    kinds = {type(one).__name__ for one in walk(article)}
    assert {"H1", "Em", "P", "Code", "Link", "Ol", "Table", "Th", "Td", "Pre"} <= kinds
    assert "bad()" not in text_of(article)
    assert "run <it>" in text_of(article)
    assert text_of(article).count("four") == 1


def test_a_search_needs_every_word_and_puts_headings_first():
    hits = manual.search("Oily RAGS")
    found = {hit.section.subject.name for hit in hits}
    assert found == {"bench", "outlook", "proof", "repairs", "safety"}
    assert all("rags" in hit.snippet.lower() for hit in hits)
    assert manual.search("bluetooth")[0].section.heading == "Bluetooth sensors"
    assert manual.search("oily zebra") == []
    assert manual.search("  ") == []


def test_a_search_shows_what_it_found_or_says_that_it_found_nothing():
    found = page.found("magnesium")
    links = [one.href for one in walk(found) if isinstance(one, dcc.Link)]
    assert "/help/calibration#before-you-begin" in links
    assert "No help page has all of these words: zebra" in text_of(page.found("zebra"))
    assert page.found(" ") == []


def test_a_page_that_is_not_there_says_so():
    assert "There is no help page at this address" in text_of(page.layout("nothing", {}))


def test_a_query_in_the_address_is_answered_without_a_tap():
    shown = page.layout("start", {"q": "magnesium"})
    assert "Calibration: Before you begin" in text_of(shown)
