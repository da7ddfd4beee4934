"""Plays exchanges to a node and says in what it differs: the reports that came, and the state behind each step."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from random import Random
from typing import Any

from conformance.bench.virtual_bench import Maker, VirtualBench
from conformance.oracle.link_log import Message
from conformance.suite.exchange import Answer
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken
from protocol.site import Encoding, Site
from protocol.site_file import scenario
from protocol.specification import STATE_OF_ROLE
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.exchanges.make import FOLDER
from tests.faulty_nodes.board import Board, firmware

STATE_MS = 3_000
REPORT_MS = 25_000
LOOK_MS = 100
Exchange = Mapping[str, Any]


def files() -> dict[str, dict[str, Any]]:
    """Every file, by its role."""
    return {path.stem: json.loads(path.read_text(encoding="utf-8")) for path in sorted(FOLDER.glob("*.json"))}


def virtual(document: Mapping[str, Any], controller: type[Controller] = Controller, seed: int = 1) -> Fixture:
    """A node in this process, just started with the boot of the file."""
    site, name = scenario(), document["node"]["name"]
    machines = Machines(site.nodes[name], World(site, alone=True), Random(seed))
    start = firmware(controller, site, name, bench=True, machines=machines)
    return over(lambda _boot, now_ms: Board(start, document["boot"], now_ms), site, name, seed)


def over(make: Maker, site: Site, name: str, seed: int = 1) -> Fixture:
    """A node on virtual time that has just come up."""
    bench = VirtualBench(make, Random(seed))
    fixture = Fixture(bench, site, name, Random(seed))
    bench.wait(lambda: bool(fixture.log.messages) and fixture.log.hears(fixture.topic()), 5_000)
    return fixture


def play(fixture: Fixture, exchange: Exchange, encoding: Encoding) -> str:
    """The first difference, in words; '' where there is none. A node that answers no more is one."""
    try:
        return played(fixture, exchange, lambda step: payload_of(step, encoding))
    except Broken as broken:
        return str(broken)


def payload_of(step: Mapping[str, Any], encoding: Encoding) -> bytes:
    """The bytes of a step."""
    return bytes.fromhex(step["cbor"]) if encoding is Encoding.CBOR else step["json"].encode()


def played(fixture: Fixture, exchange: Exchange, payload: Callable[[Mapping[str, Any]], bytes]) -> str:
    """The same with payloads that may be made for this very boot."""
    for number, step in enumerate(exchange["steps"], 1):
        fixture.watch(step["after_ms"])
        before = fixture.log.end
        if step["retain"]:
            fixture.bench.deliver_retained(step["topic"], payload(step))
        else:
            fixture.bench.publish(step["topic"], payload(step))
        difference = _reports(fixture, step, before) or _state(fixture, step)
        if difference:
            return f"step {number} ({step['says']}): {difference}"
    return ""


def _reports(fixture: Fixture, step: Mapping[str, Any], before: int) -> str:
    wanted: Sequence[Mapping[str, Any]] = step["must"]

    def came() -> list[Message]:
        return [m for m in fixture.log.sent("job-report", before) if m.body and m.body["act"] != "ask"]

    def all_came() -> bool:
        return len(_others(came(), step["may"])) >= len(wanted)

    fixture.bench.wait(all_came, REPORT_MS)
    fixture.ask()
    told = [dict(m.body) for m in _others(came(), step["may"])]
    if len(told) == len(wanted) and all(map(_fits, told, wanted)):
        return ""
    return f"reports {told}, and not {list(wanted)} [{step['requirement']}]"


def _others(reports: Sequence[Message], may: Sequence[Mapping[str, Any]]) -> list[Message]:
    """The reports that are not among those that may come."""
    return [m for m in reports if not any(_fits(m.body, one) for one in may)]


def _fits(report: Mapping[str, Any], wanted: Mapping[str, Any]) -> bool:
    return report["act"] in wanted["act"] and all(
        report.get(key) == value for key, value in wanted.items() if key != "act"
    )


def _state(fixture: Fixture, step: Mapping[str, Any]) -> str:
    if "state" not in step:
        return ""
    end = fixture.bench.now_ms + STATE_MS
    while True:
        seen = shown(fixture, fixture.ask())
        wrong = {
            key: seen[key]
            for key, value in step["state"].items()
            if (seen[key] not in value if key == "job_state" else seen[key] != value)
        }
        if not wrong:
            return ""
        if fixture.bench.now_ms >= end:
            return f"state {wrong}, and not { ({key: step['state'][key] for key in wrong}) } [{step['requirement']}]"
        fixture.watch(LOOK_MS)


def shown(fixture: Fixture, answer: Answer) -> dict[str, Any]:
    """The state of a node as an exchange has it."""
    roles = fixture.node.roles
    bodies = {role: answer.body(STATE_OF_ROLE[role]) for role in roles}
    first = bodies[roles[0]]
    return {
        "mark": answer.mark,
        "held": first.get("held"),
        "holds": first.get("holds"),
        "faults": answer.body("fault").get("faults"),
        "job": first.get("job"),
        "job_state": first.get("job_state", "none"),
        "machines": {role: body.get("mode", body.get("state")) for role, body in bodies.items()},
    }


def differences(
    document: Mapping[str, Any],
    controller: type[Controller] = Controller,
    exchanges: Sequence[Exchange] | None = None,
    *,
    first: bool = False,
) -> list[str]:
    """What a node differs in, exchange by exchange, each from a start of its own; only the `first` if that is asked."""
    found = []
    reads = scenario().nodes[document["node"]["name"]].reads
    encodings = tuple(Encoding) if reads == "both" else (Encoding(reads),)
    for number, exchange in enumerate(document["exchanges"] if exchanges is None else exchanges):
        difference = play(virtual(document, controller), exchange, encodings[number % len(encodings)])
        if difference:
            found.append(f"{exchange['name']}: {difference}")
            if first:
                break
    return found
