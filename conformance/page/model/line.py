"""One message as the page has it: in words, byte by byte, decoded, and what is different to the one before."""

from __future__ import annotations

import json
from typing import Any

from conformance.page.model.log import LogLine
from protocol.foreign_text import one_line

BYTES_SHOWN = 256
DECODED_MOST = 1_200


def line_entry(line: LogLine) -> dict[str, Any]:
    """Plain values for the browser."""
    more = f" \u2026 {len(line.payload)} bytes" if len(line.payload) > BYTES_SHOWN else ""
    return {
        "at": line.at_us // 1000, "node": line.node, "message": line.message, "words": line.words,
        "kept": line.kept, "broken": list(line.broken), "changed": line.changed,
        "raw": line.payload[:BYTES_SHOWN].hex(" ") + more, "decoded": _decoded(line),
    }  # fmt: skip


def _decoded(line: LogLine) -> str:
    if line.body is None:
        return ""
    return one_line(json.dumps(line.body, ensure_ascii=False, default=repr))[:DECODED_MOST]
