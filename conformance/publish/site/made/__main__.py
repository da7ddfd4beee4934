"""Writes the documents again; a test says when that is due."""

from __future__ import annotations

from conformance.publish.site import sources
from conformance.publish.site.made.documents import documents

if __name__ == "__main__":
    for page, text in documents().items():
        (sources.home() / page).write_text(text, encoding="utf-8")
