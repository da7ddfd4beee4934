"""Whether steps out of a file are such as the fuzzer makes: a file may be anybody's, and is played on a machine.

What is refused here would end a run in its middle, or order a machine that is not under test.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from conformance.fuzz.generate.mutations import MUTATIONS, mutated, unlike_schema
from conformance.fuzz.generate.payloads import TOPICS
from conformance.fuzz.generate.steps import BOOTS, IDS, LEADS_MS, PROOF, RELATIONS, REST, Case
from conformance.fuzz.link import FAULTS, LINE_FAULTS
from protocol.codec import encode
from protocol.site import Encoding
from protocol.specification import specification

LONGEST_MS = 60_000
"""The longest wait, disturbance or job of a step."""
MOST_STEPS = 1000
VALUES = ("$holds", "$holds+1", "$faults", "$faults+1", "$last-job", "$last-sent", "$unseen")
"""What stands for a number that only the node knows."""
_OWN = frozenset({*TOPICS.values(), "", "all"})
_ENCODINGS = ("cbor", "json")


def require_playable(steps: Case) -> None:
    """Raise ValueError for the first step that the fuzzer could not have made."""
    if not 1 <= len(steps) <= MOST_STEPS:
        raise ValueError(f"it has {len(steps)} steps, where 1 to {MOST_STEPS} are allowed")
    for number, step in enumerate(steps, 1):
        check = _CHECKS.get(step.kind)
        if check is None:
            known = ", ".join(sorted(_CHECKS))
            raise ValueError(f"step {number}: there is no kind {step.kind[:40]!a}; kinds are {known}")
        try:
            check(step.fields)
        except ValueError as error:
            raise ValueError(f"step {number}, {step.kind}: {error}") from error
        except (TypeError, LookupError, AttributeError, OverflowError, RecursionError) as error:
            raise ValueError(
                f"step {number}, {step.kind}: its fields are not those of such a step"
            ) from error


def _one_of(fields: Mapping[str, Any], name: str, known: Sequence[str] | frozenset[str], usual: str) -> str:
    value = fields.get(name, usual)
    if not isinstance(value, str) or value not in known:
        named = ", ".join(repr(one) for one in sorted(known))
        raise ValueError(f"{name} is {str(value)[:60]!a}, and may be {named}")
    return value


def _number(fields: Mapping[str, Any], name: str, least: int, most: int, usual: int | None = None) -> None:
    value = fields.get(name, usual)
    if not isinstance(value, int) or isinstance(value, bool) or not least <= value <= most:
        raise ValueError(f"{name} is {str(value)[:40]!a}, and may be {least} to {most}")


def _encodings(fields: Mapping[str, Any]) -> Sequence[Encoding]:
    named = _one_of(fields, "encoding", ("", *_ENCODINGS), "")
    return [Encoding(one) for one in ([named] if named else _ENCODINGS)]


def _order(fields: Mapping[str, Any]) -> None:
    """The relations are known, and with numbers for them it makes bytes."""
    act = _one_of(fields, "act", frozenset(specification().acts), "")
    _one_of(fields, "topic", _OWN, "")
    _one_of(fields, "id_", IDS, "next")
    _one_of(fields, "boot", BOOTS, "now")
    _one_of(fields, "deadline", tuple(LEADS_MS), "soon")
    properties = specification().acts[act]["properties"]
    body: dict[str, Any] = {"act": act}
    body |= {name: 1 for name in ("boot", "id", "deadline") if name in properties}
    for name, value in fields.items():
        if name in RELATIONS:
            continue
        if isinstance(value, str) and value.startswith("$") and value not in VALUES:
            raise ValueError(f"{name} is {value[:40]!a}, and no number is called so")
        body[name] = 1 if isinstance(value, str) and value in VALUES else value
    broken, mutation = fields.get("broken"), fields.get("mutation")
    for encoding in _encodings(fields):
        if broken is not None:
            spoilt = {name: value for name, value in {**body, **dict(broken)}.items() if value is not None}
            unlike_schema("job-order", spoilt, encoding)
            continue
        payload = encode("job-order", body, encoding)
        if mutation:
            name, number = mutation
            if name not in MUTATIONS:
                raise ValueError(f"there is no way {str(name)[:40]!a} to spoil an order")
            _number({"number": number}, "number", 0, 2**32)
            mutated(payload, name, number)


def _bytes(fields: Mapping[str, Any]) -> None:
    _one_of(fields, "topic", _OWN, "")
    bytes.fromhex(fields["hex"])


def _message(fields: Mapping[str, Any]) -> None:
    message = _one_of(fields, "message", frozenset(specification().messages), "")
    for encoding in _encodings(fields):
        unlike_schema(message, dict(fields["body"]), encoding)


def _link(fields: Mapping[str, Any]) -> None:
    _one_of(fields, "fault", frozenset(FAULTS | LINE_FAULTS), "")
    _number(fields, "ms", 0, LONGEST_MS)


def _lasts(fields: Mapping[str, Any]) -> None:
    _number(fields, "ms", 0, LONGEST_MS)


_CHECKS: dict[str, Callable[[Mapping[str, Any]], object]] = {
    "order": _order,
    "retained": _order,
    "bytes": _bytes,
    "message": _message,
    "again": lambda fields: _number(fields, "back", 1, 64),
    "sensors": lambda fields: _number({"pick": int(fields.get("pick", 0))}, "pick", 0, 2**16),
    "finish": _lasts,
    "wait": _lasts,
    "link": _link,
    "calm": lambda fields: None,
    "fence": lambda fields: None,
    REST.kind: lambda fields: None,
    PROOF.kind: lambda fields: None,
}
