"""An earlier report, read back from its JSON file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any

from conformance.files.json_file import read_json
from conformance.suite.verdict import Verdict
from conformance.tester.evidence import Evidence, EvidenceLine
from protocol.trouble import Trouble

NEEDED = (
    "kit", "protocol", "site", "node", "digest", "firmware", "bench", "slow", "cases", "people",
    "complete", "not_reached",
)  # fmt: skip
AS_NOW = "It has to be a report that --json wrote"

_TEXT = {"type": "string"}
_EVIDENCE = {
    "type": ["object", "null"],
    "required": [field.name for field in fields(Evidence)],
    "properties": {
        "causes": {"type": "array", "items": _TEXT},
        "lines": {
            "type": "array",
            "items": {
                "type": "object",
                "required": [field.name for field in fields(EvidenceLine)],
                "properties": {field.name: {} for field in fields(EvidenceLine)},
                "additionalProperties": False,
            },
        },
    },
}
_CASE = {
    "type": "object",
    "required": ["id", "verdict", "reason", "cause", "judged", "took_ms", "evidence", "warnings"],
    "properties": {
        "id": _TEXT,
        "verdict": {"enum": [verdict.word for verdict in Verdict]},
        "reason": _TEXT,
        "cause": _TEXT,
        "judged": {"type": "object", "additionalProperties": {"type": "integer"}},
        "took_ms": {"type": "number"},
        "evidence": _EVIDENCE,
        "warnings": {"type": "array", "items": _EVIDENCE | {"type": "object"}},
    },
}
_ANSWER = {
    "type": "object",
    "required": ["requirement", "answer"],
    "properties": {"requirement": _TEXT, "answer": _TEXT},
}
SHAPE = {
    "type": "object",
    "properties": {
        "cases": {"type": "array", "items": _CASE},
        "people": {"type": "array", "items": _ANSWER},
    },
}
"""What is read of a report, in JSON Schema."""


def read_report(path: Path, *, format_: int) -> dict[str, Any]:
    """A report that `yardwire conform --json` wrote. Raises Trouble where it is none."""
    report = read_json(path, "report", AS_NOW)
    missing = [name for name in NEEDED if not isinstance(report, dict) or name not in report]
    if missing:
        raise Trouble(f"not a conformance report: it has no {missing[0]!r}", where=str(path), fix=AS_NOW)
    if report.get("format") != format_:
        raise Trouble(
            f"its format is {report.get('format')!r}, and this kit reads {format_}",
            where=str(path),
            fix="Make it again with this kit",
        )
    problem = _misshapen(report)
    if problem:
        raise Trouble(f"not a conformance report: {problem}", where=str(path), fix=AS_NOW)
    return dict(report)


def _misshapen(report: dict[str, Any]) -> str:
    """Where its cases or answers are not those of a report, '' where all are."""
    import jsonschema_rs

    try:
        jsonschema_rs.Draft202012Validator(SHAPE).validate(report)
    except jsonschema_rs.ValidationError as error:
        place = "".join(f"[{step!r}]" for step in error.instance_path)
        return f"at {place or 'its root'}: {error.message[:200]}"
    except ValueError:  # A number that no report has.
        return "it has a number of too many digits"
    return ""


def require_same(report: Mapping[str, Any], path: Path, **now: object) -> None:
    """Raise Trouble unless the report says of every name in `now` what holds now."""
    for name, value in now.items():
        if report.get(name) != value:
            raise Trouble(
                f"it is of another {name}: {report.get(name)!r}, and now it is {value!r}", where=str(path)
            )
