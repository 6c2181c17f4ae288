"""Markdown as components of the board, made on the server: the one module that knows markdown-it."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

from dash import dcc, html
from markdown_it import MarkdownIt
from markdown_it.tree import SyntaxTreeNode

from dashboard.help.manual import anchor_of
from dashboard.ui.markup import attributes

if TYPE_CHECKING:
    from dash.development.base_component import Component

WHOLE = 24
"""Longest code in a sentence that stays on one line. [characters]"""
_TAGS = {
    "paragraph": html.P,
    "bullet_list": html.Ul,
    "ordered_list": html.Ol,
    "list_item": html.Li,
    "blockquote": html.Blockquote,
    "strong": html.Strong,
    "em": html.Em,
    "thead": html.Thead,
    "tbody": html.Tbody,
    "tr": html.Tr,
    "td": html.Td,
}
_HEADINGS = {"h1": html.H1, "h2": html.H2, "h3": html.H3}


@functools.cache
def _parser() -> MarkdownIt:
    return MarkdownIt("commonmark").enable("table")


def rendered(source: str) -> list[Component | str]:
    """Components of a Markdown text. HTML in it is left out, images are not shown."""
    return _children(SyntaxTreeNode(_parser().parse(source)))


def _children(node: SyntaxTreeNode) -> list[Component | str]:
    return [part for child in node.children for part in _part(child)]


def _part(node: SyntaxTreeNode) -> list[Component | str]:
    kind = node.type
    if kind == "heading":
        text = node.children[0].content
        return [_HEADINGS[node.tag](_children(node), id=anchor_of(text))]
    if kind == "inline":
        return _children(node)
    if kind == "text":
        return [node.content]
    if kind == "softbreak":
        return [" "]
    if kind == "code_inline":
        return [html.Code(node.content, className="whole" if len(node.content) <= WHOLE else "")]
    if kind == "fence":
        return [
            html.Pre(
                html.Code(node.content.rstrip("\n")),
                tabIndex=0,
                role="group",
                **attributes(aria_label="Example"),
            )
        ]
    if kind == "link":
        return [_link(node)]
    if kind == "table":
        table = html.Table(_children(node))
        label = attributes(aria_label="Table")
        return [html.Div(table, className="scroll", tabIndex=0, role="region", **label)]
    if kind == "th":
        return [html.Th(_children(node), scope="col")]
    if kind in ("html_block", "html_inline", "image"):
        return []
    return [_TAGS[kind](_children(node))]


def _link(node: SyntaxTreeNode) -> Component:
    """A link; one to another subject of the manual leads to its page on the board."""
    href = str(node.attrs["href"])
    file, mark, anchor = href.partition("#")
    if file.endswith(".md") and "/" not in file:
        return dcc.Link(_children(node), href=f"/help/{file.removesuffix('.md')}{mark}{anchor}")
    if href.startswith(("http://", "https://")):
        return html.A(_children(node), href=href, rel="noreferrer", target="_blank")
    return html.A(_children(node), href=href)
