"""CBOR diagnostic notation (RFC 8949 section 8) of values of the model."""

from __future__ import annotations

import json
from typing import Any


def notation(value: Any) -> str:
    """The notation without blanks, as cbor-diag prints it."""
    if isinstance(value, dict):
        return "{" + ",".join(f"{notation(key)}:{notation(part)}" for key, part in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ",".join(map(notation, value)) + "]"
    return json.dumps(value, ensure_ascii=False).replace("'", "\\u{27}")
