"""Situations in what a node writes: bytes, counts, times, states."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable

import cbor2

from conformance.tester.hints.scene import Scene, gist
from protocol.finding import Finding
from protocol.specification import STATE_MESSAGES, specification
from protocol.validation import read_message

A_PERIOD = 0.9
"""So much of the longest period is one, at the least."""
FACTOR = 100
"""Two times that differ by so much are in different units."""


def _says(*words: str) -> Callable[[Scene], bool]:
    """Whether the finding on the bytes of a message is of that kind (protocol/codec)."""
    return lambda scene: any(word in scene.seen for word in words)


# ---- an order that cannot be read


def _obeyed(scene: Scene) -> bool:
    """Whether what cannot be read had an effect: not where only its fault is missing."""
    return "bad-message" not in scene.expected and "bad-message" not in scene.seen


def _bytes(scene: Scene) -> bytes:
    return b"" if scene.unread is None else scene.unread.payload


def _wrong_with(scene: Scene) -> Finding | None:
    """Why nobody can read the newest such order, where it had an effect."""
    payload = _bytes(scene)
    if not payload or not _obeyed(scene):
        return None
    return next(iter(read_message("job-order", payload, closed=False).findings), None)


def _taken_for_another(scene: Scene) -> bool:
    """A value of another type, or what the encoding forbids, was taken for what was asked for."""
    found = _wrong_with(scene)
    return found is not None and found.requirement in ("ENC-01", "ENC-03", "ENC-04")


def _unreadable_json(scene: Scene) -> bool:
    return _taken_for_another(scene) and _bytes(scene).startswith(b"{")


def _unreadable_cbor(scene: Scene) -> bool:
    return _taken_for_another(scene) and not _bytes(scene).startswith(b"{")


def _trailing_comma(scene: Scene) -> bool:
    return _unreadable_json(scene) and any(end in _bytes(scene) for end in (b",}", b",]"))


def _json_with_tail(scene: Scene) -> bool:
    payload = _bytes(scene)
    if not _obeyed(scene) or not payload.startswith(b"{"):
        return False
    text = payload.decode("utf-8", "replace")
    try:
        return json.JSONDecoder().raw_decode(text)[1] < len(text)
    except (ValueError, RecursionError):
        return False


def _cbor_with_tail(scene: Scene) -> bool:
    payload = _bytes(scene)
    if not _obeyed(scene) or not payload or payload.startswith(b"{"):
        return False
    stream = io.BytesIO(payload)
    try:
        cbor2.CBORDecoder(stream).decode()
    except (cbor2.CBORDecodeError, ValueError, RecursionError):
        return False
    return stream.tell() < len(payload)


def _lacks_a_field(scene: Scene) -> bool:
    found = _wrong_with(scene)
    return found is not None and found.requirement == "ENC-06"


def _unread_unsupported(scene: Scene) -> bool:
    """An order that cannot be read was refused as one of another role."""
    return _obeyed(scene) and scene.shown is not None and scene.shown.body.get("reason") == "unsupported"


# ---- states and counts


def _old_state(scene: Scene) -> bool:
    """The node says again on a topic what it had said before it said something else there."""
    shown = scene.shown
    if shown is None or shown.name not in STATE_MESSAGES:
        return False
    said = [gist(m) for m in scene.log.sent(shown.name) if m.number <= shown.number]
    return gist(shown) in said[:-1] and said[-1:] != said[-2:-1]


def _first_in_an_answer(scene: Scene) -> bool:
    return "answers" in scene.seen


def _restarted_by_others(scene: Scene) -> bool:
    """It comes a whole period behind a message of another topic, and not behind its own."""
    shown = scene.shown
    if shown is None:
        return False
    period_ms = specification().most_ms("status_repeat" if shown.name == "node-status" else "state_repeat")
    before = next((m.number for m in scene.said(shown.name, before=shown.number)), shown.number)
    between = [m for m in scene.said(before=shown.number) if m.number > before and m.name in STATE_MESSAGES]
    most_ms = period_ms * (1 + (specification().timing["repeat_tolerance"].value or 0) / 100)
    return any(A_PERIOD * period_ms < shown.at_ms - m.at_ms <= most_ms for m in between)


def _one_status(scene: Scene) -> bool:
    """Not one node-status but the first of its connection."""
    said = list(scene.said("node-status"))
    return bool(said) and sum(m.trace.connection == said[0].trace.connection for m in said) == 1


def _count_of_all(scene: Scene) -> bool:
    """Its seq follows on that of the message just before it, which has another topic."""
    shown = scene.shown
    if shown is None or "seq" not in shown.body:
        return False
    before = next((m for m in scene.said(before=shown.number) if "seq" in m.body), None)
    follows = before is not None and (shown.body["seq"] - before.body["seq"]) % 65536 == 1
    return follows and before is not None and before.topic != shown.topic


def _seq_ahead(scene: Scene) -> bool:
    shown = scene.shown
    if shown is None or "seq" not in shown.body:
        return False
    before = next((m for m in scene.said(shown.name, before=shown.number) if "seq" in m.body), None)
    return before is not None and 1 < (shown.body["seq"] - before.body["seq"]) % 65536 < 32768


def _uptime_back(scene: Scene) -> bool:
    shown = scene.shown
    if shown is None or "uptime" not in shown.body:
        return False
    before = next((m for m in scene.said(before=shown.number) if "uptime" in m.body), None)
    return before is not None and 0 < (before.body["uptime"] - shown.body["uptime"]) % 2**32 < 2**31


def _other_unit(scene: Scene) -> bool:
    """The node's clock and the kit's differ by a factor that no crystal explains."""
    told = re.search(r"went on by (-?\d+) ms in (\d+) ms", scene.seen)
    due = re.fullmatch(r"(\d+) ms of uptime", scene.expected)
    gone = re.fullmatch(r"(-?\d+) ms", scene.seen)
    if told is not None:
        ours, theirs = int(told[2]), int(told[1])
    elif due is not None and gone is not None:
        ours, theirs = int(due[1]), int(gone[1])
    else:
        return False
    return theirs > FACTOR * max(1, ours) or 0 <= FACTOR * theirs < ours


IN_MESSAGES: dict[str, Callable[[Scene], bool]] = {
    "key-order": _says("after a higher one"),
    "longer-than-needed": _says("more bytes than it needs"),
    "white-space": _says("white space"),
    "float": _says("float", "fraction", "exponent"),
    "negative": lambda scene: re.search(r"is -\d", scene.seen) is not None,
    "long-text": _says("characters, where"),
    "unreadable-json": _unreadable_json,
    "unreadable-cbor": _unreadable_cbor,
    "trailing-comma": _trailing_comma,
    "json-with-tail": _json_with_tail,
    "cbor-with-tail": _cbor_with_tail,
    "obeyed": _obeyed,
    "lacks-a-field": _lacks_a_field,
    "unread-unsupported": _unread_unsupported,
    "old-state": _old_state,
    "first-in-an-answer": _first_in_an_answer,
    "restarted-by-others": _restarted_by_others,
    "one-status": _one_status,
    "count-of-all": _count_of_all,
    "seq-ahead": _seq_ahead,
    "uptime-back": _uptime_back,
    "other-unit": _other_unit,
    "digest": lambda scene: scene.expected.startswith("digest"),
    "what-the-board-does": lambda scene: scene.expected.startswith(
        ("reads", "buffer", "firmware", "payloads")
    ),
}
