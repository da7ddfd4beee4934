"""What is published of the guards is what the tables say, and an unsound table is not published."""

from __future__ import annotations

from html import unescape
from pathlib import Path

import pytest

from conformance.publish.edition import edition
from conformance.publish.site import sources
from conformance.publish.site.guards_document import PAGE, guards_document
from conformance.publish.site.site import Contents
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.trouble import Trouble

SPEC = specification()


def test_the_document_of_guards_is_as_the_tables_are() -> None:
    """`python -m conformance.publish.site.guards_document` writes it."""
    assert (sources.home() / PAGE).read_text("utf-8") == guards_document(SPEC)


def test_nobody_has_to_guess_what_a_guard_means(published: Path) -> None:
    page = unescape((published / "tables.html").read_text("utf-8"))
    for rule in SPEC.guards.values():
        assert f'id="guard-{rule.name}"' in page
        assert f'href="#guard-{rule.name}"' in page
        assert rule.says in page
        assert rule.behind or rule.formula in page
    for table in SPEC.tables.values():
        for one in table.no_ways:
            assert one.why in page
        for said in table.event_words.values():
            assert said in page


def test_an_edition_of_an_unsound_table_is_not_made(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        "conformance.publish.edition.table_findings", lambda spec: ["'halt' in 'lost' is silent"]
    )
    with pytest.raises(Trouble, match="is silent"):
        edition(Contents({}), scenario())
