"""Verdicts in colour, and ids as links to their page: for a finished text, whose lines are laid out already."""

from __future__ import annotations

import re
from functools import cache

from conformance.commands.terminal.streams import coloured, linked

VERDICTS = {
    "FIRST CAUSE": "red", "FIRST": "red", "FAIL": "red", "fail": "red", "failed": "red", "ERROR OF THE KIT": "red",
    "error": "red", "INCONCLUSIVE": "yellow", "inconclusive": "yellow", "warning": "yellow", "WARNING": "yellow",
    "not conformant": "red", "pass": "green", "all right": "green", "nothing found": "green",
}  # fmt: skip
_VERDICT = re.compile(
    r"^(?:[0-9,]+ | *verdict: )?("
    + "|".join(sorted(map(re.escape, VERDICTS), key=len, reverse=True))
    + r")\b"
)
_COUNT = re.compile(r"\b([1-9][0-9,]* (?:pass|fail|error|inconclusive|warnings?))\b")
_ID = re.compile(r"\b[A-Z]{3}-[0-9]{2}\b")


def styled(text: str) -> str:
    """A report of the kit, with verdicts in colour and ids of requirements linked where their page is known."""
    return "\n".join(_line(line) for line in text.split("\n"))


def _line(line: str) -> str:
    found = _VERDICT.match(line)
    if found:
        start, end = found.span(1)
        return linked_ids(line[:start]) + coloured(found[1], VERDICTS[found[1]]) + linked_ids(line[end:])
    if line[:1].isspace():
        return linked_ids(line)
    return linked_ids(_COUNT.sub(_counted, line))


def _counted(found: re.Match[str]) -> str:
    word = found[1].split()[-1]
    return coloured(found[1], {"pass": "green", "fail": "red", "error": "red"}.get(word, "yellow"))


def linked_ids(text: str) -> str:
    """Every id of a requirement as a link to its page, where somebody has said where the pages are."""
    from conformance.commands.options.settings import pages

    base = pages()
    return _ID.sub(lambda found: _to_page(found[0], base), text) if base else text


def _to_page(id_: str, base: str) -> str:
    return linked(id_, f"{base}/requirements.html#{id_}") if id_ in _ids() else id_


@cache
def _ids() -> frozenset[str]:
    from protocol.specification import specification

    return frozenset(specification().requirements)
