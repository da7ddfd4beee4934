"""Write the valid vectors: the shortest and the longest of every message and act, in both encodings.

    python -m tests.protocol.make_vectors

A test proves that the files are what this writes. `invalid.json` beside them is written by hand.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import protocol
from protocol.codec import encode
from protocol.codec.shape import Kind, shape_of
from protocol.schema_findings import schema_findings
from protocol.site import Encoding
from protocol.sizes import worst_sizes
from protocol.specification import specification

FOLDER = Path(protocol.__file__).parent / "v1" / "vectors"


def shortest_value(kind: Kind) -> Any:
    """The first word, the number nearest to 0, the least text or array."""
    schema = kind.schema
    if kind.words:
        return kind.words[0]
    match schema["type"]:
        case "integer":
            return max(0, schema["minimum"])
        case "boolean":
            return False
        case "string":
            return "a" * schema.get("minLength", 0)
        case _:
            return [shortest_value(kind.entry(position)) for position in range(schema["minItems"])]


def shortest_body(message: str, act: str | None) -> dict[str, Any]:
    """Required fields at their least, and those that the words chosen require."""
    shape = shape_of(message, act)
    body = {name: shortest_value(shape.fields[name]) for name in shape.schema["required"]}
    if act is not None:
        body["act"] = act
    if message == "job-report":
        body["state"] = "done"
    if message == "node-status":
        body["state"] = "off"
    while missing := _missing(message, act, body):
        body |= {name: shortest_value(shape.fields[name]) for name in missing}
    return {name: body[name] for name in shape.fields if name in body}


def _missing(message: str, act: str | None, body: dict[str, Any]) -> set[str]:
    found = schema_findings(message, shape_of(message, act), body, None, closed=True)
    missing = {str(path[0]) for path, finding in found if finding.what.startswith("is missing")}
    return missing - body.keys()


def vector(name: str, message: str, body: dict[str, Any], encoding: Encoding) -> dict[str, Any]:
    """One valid vector as it stands in a file."""
    payload = encode(message, body, encoding)
    text = {"text": payload.decode()} if encoding is Encoding.JSON else {}
    start = {"name": f"{name}, {encoding.upper()}", "message": message, "valid": True}
    return start | {"hex": payload.hex()} | text | {"body": body}


def valid_vectors(message: str) -> list[dict[str, Any]]:
    """The vectors of one message."""
    vectors = []
    for act in specification().acts if message == "job-order" else (None,):
        what = f"{message} {act}" if act else message
        shortest = shortest_body(message, act)
        vectors += [vector(f"shortest {what}", message, shortest, encoding) for encoding in Encoding]
        vectors += [
            vector(f"longest {what}", message, dict(size.body), size.encoding)
            for size in worst_sizes()
            if (size.message, size.act) == (message, act)
        ]
    return vectors


def written(vectors: list[dict[str, Any]]) -> str:
    """The text of a file: one vector a line, so that a difference is one line too."""
    lines = ",\n".join("  " + json.dumps(vector, ensure_ascii=False) for vector in vectors)
    return f"[\n{lines}\n]\n"


def main() -> None:
    """Write every file."""
    for message in specification().messages:
        (FOLDER / f"{message}.json").write_text(written(valid_vectors(message)), encoding="utf-8")


if __name__ == "__main__":
    main()
