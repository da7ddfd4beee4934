"""Markdown to HTML: headings with anchors, links turned to the pages of the site, requirements linked."""

from __future__ import annotations

import posixpath
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from markdown_it import MarkdownIt
    from markdown_it.token import Token

REQUIREMENT = re.compile(r"[A-Z]{3}-\d\d")

Link = Callable[[str], str]
"""Where a link of the source leads on the site."""


@dataclass(frozen=True, slots=True)
class Prose:
    """One document: its title, its text as HTML without the title, its headings as anchor and words."""

    title: str
    html: str
    headings: tuple[tuple[str, str], ...]
    words: str
    """All its text, for the search."""


@cache
def _markdown() -> MarkdownIt:
    from markdown_it import MarkdownIt

    return MarkdownIt("commonmark", {"xhtmlOut": False}).enable("table")


def prose(text: str, link: Link, requirements: str) -> Prose:
    """Render `text`; `requirements` is the page that requirement ids in it link to."""
    from markdown_it.token import Token

    tokens = _markdown().parse(text)
    title, headings, words = "", [], []
    for position, token in enumerate(tokens):
        if token.type == "inline":
            words.append(token.content)
            token.children = _linked(token.children or [], link, requirements)
        elif token.type in ("fence", "code_block"):
            words.append(token.content)
        elif token.type == "heading_open":
            said = tokens[position + 1].content
            if token.tag == "h1" and not title:
                title = said
            anchor = slug(said)
            token.attrSet("id", anchor)
            if token.tag == "h2":
                headings.append((anchor, said))
        elif token.type in ("th_open", "td_open") and token.attrs.pop("style", "") == "text-align:right":
            token.attrSet("class", "number")
    body = [token for position, token in enumerate(tokens) if not _in_title(tokens, position)]
    body = [part for token in body for part in _scrolled(token, Token)]
    html = str(_markdown().renderer.render(body, _markdown().options, {}))
    html = html.replace("<pre>", '<pre tabindex="0">')
    html = html.replace("<th></th>", "<td></td>")  # A corner of a table heads nothing.
    html = re.sub("<th(?=[ >])", '<th scope="col"', html)
    return Prose(title, html, tuple(headings), " ".join(words))


def slug(words: str) -> str:
    """The anchor of a heading."""
    bare = re.sub("[^a-z0-9]+", "-", words.lower()).strip("-")
    return bare.lstrip("-0123456789") or f"version-{bare}"


def _in_title(tokens: list[Token], position: int) -> bool:
    """Whether a token belongs to the first heading, which the page shows by itself."""
    return position < 3 and bool(tokens) and tokens[0].tag == "h1"


def _scrolled(token: Token, make: type[Token]) -> list[Token]:
    """A table inside an area that scrolls by itself on a small screen, and by keyboard."""
    around = make("html_block", "", 0)
    if token.type == "table_open":
        around.content = '<div class="scroll" tabindex="0" role="group" aria-label="table">'
        return [around, token]
    if token.type == "table_close":
        around.content = "</div>"
        return [token, around]
    return [token]


def _linked(children: list[Token], link: Link, requirements: str) -> list[Token]:
    inside = False
    found: list[Token] = []
    for token in children:
        if token.type in ("link_open", "link_close"):
            inside = token.type == "link_open"
            if inside:
                token.attrSet("href", link(str(token.attrGet("href"))))
        elif token.type == "image":
            token.attrSet("src", link(str(token.attrGet("src"))))
        elif token.type == "code_inline" and not inside and REQUIREMENT.fullmatch(token.content):
            found += _requirement(token, requirements)
            continue
        found.append(token)
    return found


def _requirement(token: Token, requirements: str) -> list[Token]:
    from markdown_it.token import Token as Made

    before, after = Made("link_open", "a", 1), Made("link_close", "a", -1)
    before.attrSet("href", f"{requirements}#{token.content}")
    before.attrSet("class", "req")
    return [before, token, after]


def relative(page: str, target: str) -> str:
    """The way from a page to another, both as paths from the root of the site; an anchor stays."""
    path, mark, anchor = target.partition("#")
    way = posixpath.relpath(path, posixpath.dirname(page) or ".") if path else ""
    return way + mark + anchor
