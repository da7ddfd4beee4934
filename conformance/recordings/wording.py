"""One message in a line of plain words, for tables and diagrams."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

Body = Mapping[str, Any]


def in_words(message: str, body: Body) -> str:
    """The gist of a message body, at most about 70 characters; '' for a message that is not known."""
    teller = _TELLERS.get(message)
    return teller(body) if teller is not None else ""


def _order(body: Body) -> str:
    act = body.get("act", "?")
    match act:
        case "transfer":
            text = f"transfer {body.get('box')}: {_slot(body, 'from', 'spreader')} to {_slot(body, 'to')}"
        case "run":
            text = f"run to {body.get('to')}"
        case "cancel":
            text = f"cancel {short_id(body.get('ref'))}"
        case "jog":
            text = f"jog to {', '.join(map(str, body.get('target', ())))}"
        case "reset-fault" if "found" in body or "place" in body:
            text = f"reset-fault, found {body.get('place') or body.get('found')}"
        case "admit" if "train" in body:
            text = f"admit {body['train']}"
        case _:
            text = str(act)
    return f"{text} {short_id(body.get('id'))}".rstrip()


def _report(body: Body) -> str:
    parts = [str(body.get("act", "?")), short_id(body.get("id")), str(body.get("state", "?"))]
    if body.get("act") == "ask":
        parts = ["ask answered"]
    if "step" in body and body.get("state") == "running":
        parts.append(f"({body['step']})")
    if "reason" in body:
        parts.append(f"because {body['reason']}")
    return " ".join(part for part in parts if part)


def _crane(body: Body) -> str:
    axes = " ".join(
        str(position) if position == target else f"{position}>{target}"
        for position, target, _ in body.get("axes", ())
    )
    load = {"none": "empty", "box": "with a box", "unsure": "load unsure"}.get(body.get("load", ""), "")
    return _held(body, f"{body.get('mode')} at {axes}, {load}")


def _arrival(body: Body) -> str:
    text = str(body.get("state"))
    if "reading" in body:
        text += f", reading {body['reading']}"
    if body.get("ignored"):
        text += f", {body['ignored']} pulses ignored"
    return _held(body, text)


def _shuttle(body: Body) -> str:
    place = f" {body['place']}" if "place" in body else ""
    return _held(body, f"{body.get('state')}{place}")


def _fault(body: Body) -> str:
    active = body.get("active", ())
    return ", ".join(active) if active else "none"


def _status(body: Body) -> str:
    if body.get("state") == "off":
        return f"off (boot {body.get('boot')}, link {body.get('link')})"
    bench = ", bench" if body.get("bench") else ""
    return f"on: {' '.join(body.get('roles', ()))}, boot {body.get('boot')}{bench}"


def _map(body: Body) -> str:
    slots = " ".join({"": "-", "?": "unsure"}.get(slot, slot) for slot in body.get("slots", ()))
    why = f" ({body.get('state')}: {body['why']})" if "why" in body else ""
    return f"{slots}{why}"


def _slot(body: Body, field: str, without: str = "?") -> str:
    return f"{body[field]}/{body.get(f'{field}_slot')}" if field in body else without


def _inputs(body: Body) -> str:
    """Which sensors are closed, counted from 1 in the order of the site file; nothing where none is or none is told."""
    bits = body.get("inputs", 0)
    closed = [str(bit + 1) for bit in range(8) if isinstance(bits, int) and bits >> bit & 1]
    return f", input {' '.join(closed)} closed" if closed else ""


def _held(body: Body, text: str) -> str:
    return f"{text}{', held' if body.get('held') else ''}{_inputs(body)}"


def short_id(id_: object) -> str:
    """An order id in the parts it is made of: claim number, random part and count; '' for None."""
    if not isinstance(id_, int):
        return ""
    return f"#{id_ >> 20}.{id_ >> 8 & 0xFFF:03x}.{id_ & 0xFF}"


_TELLERS: dict[str, Callable[[Body], str]] = {
    "job-order": _order,
    "job-report": _report,
    "crane-status": _crane,
    "train-arrival": _arrival,
    "shuttle-status": _shuttle,
    "fault": _fault,
    "node-status": _status,
    "yard-map": _map,
}


def event_in_words(sequence: str, meaning: tuple[Any, ...]) -> str:
    """An event, as `diff.events` has them, in a line of words."""
    node = f"{sequence}: " if sequence else ""
    match meaning:
        case ("job-order", act, *words):
            return f"{node}order {' '.join([str(act), *map(_plain, words)])}"
        case ("job-report", *words):
            return f"{node}{' '.join(map(_plain, words))}"
        case ("crane-status", mode, spreader, load, held, *_):
            return f"{node}{mode}, spreader {spreader}, load {load}{', held' if held else ''}"
        case ("train-arrival", state, held, train):
            return f"{node}train {train or ''} {state}{', held' if held else ''}".replace("  ", " ")
        case ("shuttle-status", state, place, load, held):
            at = f" {place}" if place else ""
            return f"{node}{state}{at}, load {load}{', held' if held else ''}"
        case ("fault", *active):
            return f"{node}fault {', '.join(active) or 'none'}"
        case ("node-status", *words):
            return f"{node}{' '.join(map(_plain, words))}"
        case ("yard-map", state, why, *slots):
            shown = " ".join({"": "-", "?": "unsure"}.get(slot, slot) for slot in slots)
            return f"{node}map {shown}{f' ({state}: {why})' if why else ''}"
    return f"{node}{_befallen(meaning)}"


def _befallen(meaning: tuple[Any, ...]) -> str:
    """What no message says by itself."""
    match meaning:
        case ("encoding", who, encoding):
            return f"{who} in {encoding}"
        case ("uptime", "set back"):
            return "its uptime was set back"
        case ("unreadable", message):
            return f"a {message} that cannot be read"
        case ("silence",):
            return "falls silent"
    return " ".join(map(_plain, meaning))


def _plain(word: Any) -> str:
    return " ".join(map(str, word)) if isinstance(word, tuple) else str(word)
