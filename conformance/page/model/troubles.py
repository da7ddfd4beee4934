"""What a person should look at: faults, holds, silence, blocked places, nodes that are not as the site says."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from conformance.page.model.advice import of_trouble
from conformance.page.model.health import Health, HealthRegister
from conformance.page.model.latest import LatestMessages
from conformance.recordings.trend.live import Change
from protocol.site import Site
from protocol.specification import STATE_OF_ROLE, specification

Entry = dict[str, Any]

DRIFTS_SHOWN = 12
DRIFT_WORDS = 400
"""Characters of what is said of one."""

STATES = tuple(STATE_OF_ROLE.values())
TELLING = {
    "lost": "is lost: only a person who looks can say how it stands",
    "faulted": "has stopped by a fault",
    "manual": "is moved by hand",
    "unhomed": "is not homed: its positions are unknown",
}
HEALTH = {
    "silent": "has fallen silent: all that is shown of it is old",
    "off": "is off, or its connection is lost",
    "not heard": "has not been heard yet",
    "bench": "is on the bench: a tester plays its sensors",
}


def troubles(
    site: Site, words: LatestMessages, health_register: HealthRegister, now_us: int
) -> Iterator[tuple[str, Entry]]:
    """Key and entry of every trouble that stands now. `kind` is one word; `rank` 0 comes first."""
    for name, health in health_register.nodes.items():
        for kind, rank, text in (*_of_health(health, now_us), *_of_words(name, words)):
            entry = {"node": name, "kind": kind, "rank": rank, "says": text, "do": of_trouble(kind)}
            yield f"trouble/{name}/{kind}", entry
    for place in site.places:
        word = words.map_of(place)
        if word is not None and word.body["state"] == "blocked":
            why = word.body.get("why", "no reason given")
            entry = {
                "node": place, "kind": "blocked", "rank": 2, "says": f"is blocked: {why}", "do": of_trouble("blocked"),
            }  # fmt: skip
            yield f"trouble/{place}/blocked", entry


def drifts(changes: Sequence[Change]) -> Iterator[tuple[str, Entry]]:
    """Figures that have left the limits which earlier runs taught, the most pressing first."""
    for number, change in enumerate(changes[:DRIFTS_SHOWN]):
        node, _, figure = change.figure.partition(": ")
        yield f"trouble/{node}/drift-{number}", {
            "node": node, "kind": "drift", "rank": 2, "says": f"{figure}: {change.says}"[:DRIFT_WORDS],
            "do": of_trouble("drift"),
        }  # fmt: skip


def _of_health(health: Health, now_us: int) -> Iterator[tuple[str, int, str]]:
    state = health.state(now_us)
    if state in HEALTH:
        yield state.replace(" ", "-"), 3 if state in ("bench", "not heard") else 1, HEALTH[state]
    if not health.listed:
        yield "stranger", 2, "speaks on this bus, but the site file has no such node"
    said = health.status.get("digest")
    if health.listed and said is not None and said != health.digest and not health.kept:
        text = f"was built from another site file: digest {said:08x}, here it is {health.digest or 0:08x}"
        yield "digest", 2, text


def _of_words(name: str, words: LatestMessages) -> Iterator[tuple[str, int, str]]:
    fault = words.of(name, "fault")
    for code in fault.body["active"] if fault is not None else ():
        level = specification().fault_level(code)
        part = fault.body.get("part") if fault is not None and fault.body.get("changed") == code else None
        told = specification().common["$defs"]["fault_code"]["meanings"][code]
        yield code, 0 if level == "halt" else 2, f"fault, {level}: {told}" + (f", at {part}" if part else "")
    for message in STATES:
        word = words.of(name, message)
        if word is None:
            continue
        state = str(word.body.get("mode", word.body.get("state")))
        if state in TELLING:
            yield state, 3 if state == "unhomed" else 1, TELLING[state]
        if word.body["held"]:
            yield "held", 1, "is held: it keeps its job and stands still until somebody resumes it"
        if message == "crane-status" and word.body["load"] == "unsure":
            yield "load", 1, "is not sure what hangs in its spreader"
