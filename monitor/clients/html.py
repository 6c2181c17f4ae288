"""The sheet as one HTML page that needs nothing else and prints on one page."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from monitor.clients.sheet import Sheet, SheetSection

STYLE = """
@page { size: %s; margin: 12mm 15mm }
body { font: 11pt/1.4 "Atkinson Hyperlegible Next", system-ui, sans-serif; color: #000;
  background: #fff; max-width: 48rem; margin: 1rem auto; padding: 0 1rem }
h1 { font-size: 1.7em; margin: 0 } h2 { font-size: 1.05em; margin: .8em 0 .2em }
header { border-bottom: 1px solid #000; padding-bottom: .3em } header p, p { margin: .2em 0 }
.lead { font-size: 1.25em; font-weight: 700 } .two { display: flex; flex-wrap: wrap; gap: 0 2em }
.two > * { flex: 1 1 18em } ul { margin: 0; padding-left: 1.2em }
table { border-collapse: collapse; width: 100%% } th, td { text-align: left; padding: .15em .5em }
.plain thead, .plain { border-block: 1px solid #000 } .strong { font-weight: 700 }
.fills th, .fills td { border: 1px solid #000; text-align: center; padding: .1em; font-size: .85em }
svg { width: 100%%; height: auto } .qr { flex: 0 0 30mm } .qr svg { width: 30mm }
.scroll { overflow-x: auto } .small { font-size: .85em } footer { border-top: 1px solid #000 }
@media print { body { font-size: 8.6pt; margin: 0; padding: 0; max-width: none } }
"""


def html_of(sheet: Sheet) -> str:
    """The page. Everything typed is escaped; the drawings are ours."""
    paper = "letter" if sheet.paper == "us-letter" else "A4"
    plot_words = escape(sheet.plot_words)
    parts = [
        f'<!DOCTYPE html><html lang="{escape(sheet.language)}"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(sheet.title)}</title><style>{STYLE % paper}</style></head><body>",
        f"<header><h1>{escape(sheet.title)}</h1><p>"
        + " · ".join(escape(t) for t in (sheet.about, sheet.shop, sheet.made) if t)
        + "</p></header><main>",
        f'<p class="lead">{escape(sheet.lead)}</p>',
        f'<div class="two">{_section(sheet.to_do)}{_section(sheet.avoid)}</div>',
        f'<h2>{escape(sheet.plot_heading)}</h2><div role="img" aria-label="{plot_words}">'
        f'{sheet.plot}</div><p class="small">{plot_words}</p>',
        f"<h2>{escape(sheet.table.heading)}</h2>{_table(sheet)}",
    ]
    if sheet.fills_words:
        parts.append(
            f'<h2>{escape(sheet.fills_heading)}</h2><div class="two"><div>{_fills(sheet)}'
            f"<p>{escape(sheet.fills_words)} {escape(sheet.qr_words)}</p></div>"
            f'<div class="qr" role="img" aria-label="{escape(sheet.qr_words)}">{sheet.qr}</div></div>'
        )
    parts += [
        f'<div class="two">{_section(sheet.journeys)}<div>{_section(sheet.holds)}'
        f"{_section(sheet.signs)}</div></div></main>",
        f'<footer><p class="small">{escape(" ".join(sheet.small))}</p>'
        f"<p><strong>{escape(sheet.repairer)}</strong></p></footer></body></html>",
    ]
    return "".join(parts)


def _fills(sheet: Sheet) -> str:
    """Table of the refills by month; empty where nothing is refilled, or every day."""
    if not sheet.fills:
        return ""
    heads = "".join(f'<th scope="col">{escape(m)}</th>' for m in sheet.months)
    cells = "".join(f"<td>{escape(f)}</td>" for f in sheet.fills)
    return (
        f'<div class="scroll" tabindex="0" role="region" '
        f'aria-label="{escape(sheet.fills_heading)}">'
        f'<table class="fills"><tr><td></td>{heads}</tr>'
        f'<tr><th scope="row">{escape(sheet.fills_row)}</th>{cells}</tr></table></div>'
    )


def _section(section: SheetSection) -> str:
    if not section.lines:
        return ""
    head = f"<section><h2>{escape(section.heading)}</h2>"
    if len(section.lines) == 1:
        return f"{head}<p>{escape(section.lines[0])}</p></section>"
    return f"{head}<ul>{''.join(f'<li>{escape(x)}</li>' for x in section.lines)}</ul></section>"


def _table(sheet: Sheet) -> str:
    heads = "".join(f'<th scope="col">{escape(h)}</th>' for h in sheet.table.heads)
    rows = "".join(
        f'<tr class="{"strong" if i == sheet.table.strong else ""}">'
        + "".join(f"<td>{escape(cell)}</td>" for cell in row)
        + "</tr>"
        for i, row in enumerate(sheet.table.rows)
    )
    return (
        f'<div class="scroll" tabindex="0" role="region" aria-label="{escape(sheet.table.heading)}">'
        f'<table class="plain"><thead><tr>{heads}</tr></thead><tbody>{rows}</tbody></table></div>'
    )
