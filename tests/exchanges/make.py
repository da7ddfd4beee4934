"""Write the exchanges: for each state of an order desk every order that can befall it, from the node's start on.

    python -m tests.exchanges.make

What must follow is derived from the tables (`conformance.suite.walk`), and recorded from no node. A test proves that
the files are what this writes.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import protocol
from conformance.suite.walk.alphabet import alphabet
from conformance.suite.walk.derivation import BY_ITSELF, Derivation
from conformance.suite.walk.desk import Desk, Outcome
from conformance.suite.walk.facts import Rules
from conformance.suite.walk.letters import Letter, Numbers
from conformance.suite.walk.machine import Machine, derive
from protocol.codec import encode
from protocol.site import Encoding, NodeSite, Site
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.topics import Topic

FOLDER = Path(protocol.__file__).parent / "v1" / "vectors" / "exchanges"
NODES = {"crane": "north", "berth": "siding", "shuttle": "ferry"}
BOOT, OTHER_BOOT = 4711, 815
FIRST_MS, GAP_MS, SENSORS_MS, SETTLED_MS = 1_500, 500, 700, 3_700
"""Wait before the first order, before most, behind played sensors, and until a machine's sensors count again."""
IN_TIME, UPTIME = 3_600_000, 3_000
UNREADABLE = '{"act":"hold"'
LEFT_OUT = ("set-uptime", "reconnect", "grip", "miss", "hold-all", "for-all", "strange", "tail")
"""Letters that are no order, change the clock of the deadlines, or are sent in a way that a file has no words for."""
HOMES = ("home-x", "home-y", "home-z")
SWITCHES_OPEN = Letter(
    "switches-open",
    "the home switches open again",
    kind="sensors",
    order=lambda n: {
        "act": "stimulus",
        "boot": n.boot,
        "id": n.fresh,
        "inputs": [[one, False, 40] for one in HOMES],
    },
)


@dataclass(slots=True)
class Life:
    """One life of a node on the way through an exchange: its numbers, by what has befallen it."""

    site: Site
    node: NodeSite
    mark: int = 0
    used: int = 0
    holds: int = 0
    faults: int = 0
    job: int | None = None
    last: dict[str, Any] = field(default_factory=dict)
    place: str = ""
    moved: bool = False

    def numbers(self, desk: Desk, chance: int) -> Numbers:
        """What the next order is relative to."""
        fresh = max(self.mark, self.used) + 1
        old = [one for one in (self.mark, self.mark - 1, self.mark - 2) if one > 0 and one != self.job]
        stale = old[chance // 2 % len(old)] if old else 0
        return Numbers(
            boot=BOOT, other_boot=OTHER_BOOT, mark=self.mark, fresh=fresh, stale=stale,
            job=self.job or 0, last=self.last, holds=self.holds, faults=self.faults, uptime=UPTIME,
            lead_ms=IN_TIME, load=desk.load, place=self.place, chance=chance,
        )  # fmt: skip

    def state(self, desk: Desk) -> dict[str, Any]:
        """The state as it stands in a file."""
        job = ["accepted", "running"] if desk.job == "running" else [desk.job]
        machines = dict(zip(self.node.roles, desk.machines, strict=True))
        return {
            "mark": self.mark, "held": desk.held, "holds": self.holds, "faults": self.faults,
            "job": self.job, "job_state": job, "machines": machines,
        }  # fmt: skip

    def step(self, desk: Desk, letter: Letter, outcome: Outcome, chance: int) -> dict[str, Any]:
        """The next step of the exchange; the numbers go on with it."""
        order = self._order(desk, letter, chance)
        if order is not None and "id" in order:
            self.used = max(
                self.used, int(order["id"]), int(order.get("ref", 0)) if letter.name == "cancel-unseen" else 0
            )
        if order is not None and (outcome.raised or letter.kind == "play"):
            self.mark = int(order["id"])
        self.holds = (self.holds + outcome.holds) % 65536
        self.faults = (self.faults + outcome.faults) % 65536
        before = self.last
        if outcome.begun and order is not None:
            self.job, self.last = int(order["id"]), order
        must, may = self._reports(letter, outcome, order, before)
        if order is not None and "place" in order and order["act"] == "reset-fault" and outcome.next != desk:
            self.place = str(order["place"])
        if letter.happens == "finish" and self.last.get("act") == "run":
            self.place = str(self.last["to"])
        still_open = outcome.next.open and outcome.next.act in BY_ITSELF and not outcome.next.held
        wait = FIRST_MS if not self.moved else SETTLED_MS if letter.happens == "pushed" else GAP_MS
        self.moved = True
        step = {
            "says": letter.says, "after_ms": wait, "topic": str(Topic(self.site.name, self.node.name, "job-order")),
            **_payloads(order), "retain": letter.kind == "retained", "requirement": outcome.requirement,
            "must": must, "may": may,
        }  # fmt: skip
        return step if still_open else step | {"state": self.state(outcome.next)}

    def _order(self, desk: Desk, letter: Letter, chance: int) -> dict[str, Any] | None:
        n = self.numbers(desk, chance)
        if letter.kind == "bytes":
            return None
        if letter.kind == "play":
            return {"act": "stimulus", "boot": BOOT, "id": n.fresh, "inputs": self._sensors()}
        assert letter.order is not None
        return dict(letter.order(n))

    def _sensors(self) -> list[list[Any]]:
        """What the sensors tell as the open job comes to its end."""
        match self.last["act"]:
            case "home":
                axes = self.node.crane.axes if self.node.crane else ()
                return [[switch, True, 40] for switch, _ in zip(HOMES, axes, strict=False)]
            case "admit":
                return [["arming", True, 40], ["arming", False, 40], ["end", True, 40], ["end", False, 40]]
            case "depart":
                return [["end", True, 40], ["end", False, 40]]
            case _:
                stops = self.node.shuttle.stops if self.node.shuttle else ()
                target = stops.index(self.last["to"]) + 1
                others = [[f"stop-{n}", False, 10] for n in range(1, len(stops) + 1) if n != target]
                return [*others, [f"stop-{target}", True, 100]]

    def _reports(
        self, letter: Letter, outcome: Outcome, order: dict[str, Any] | None, before: dict[str, Any]
    ) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
        if letter.kind == "play" and order is not None:
            ended = {"act": [self.last["act"]], "id": self.job, "state": "done"}
            played = {"act": ["stimulus"], "id": order["id"], "state": "done", "mark": self.mark}
            return [played, ended], [{"act": [self.last["act"]], "id": self.job, "state": "running"}]
        if order is None or outcome.said is None:
            return [], []
        state, reason = outcome.said
        acts = [order["act"]]
        if letter.name == "repeat-changed" and before.get("act") not in (None, order["act"]):
            acts.append(before["act"])
        report = {
            "act": acts,
            "id": order.get("ref", order["id"]) if order["act"] == "cancel" else order["id"],
        }
        may = []
        if state == "running" and letter.name.startswith("repeat"):
            # A job may not have started yet, and says so.
            may = [report | {"state": "accepted"}]
        told = report | {"state": state} | ({"reason": reason} if reason else {}) | {"mark": self.mark}
        ends = self._ends_with(letter, outcome)
        running = [report | {"state": "running"}] if outcome.begun else []
        if letter.kind == "sensors" and self._was_open:
            # What the sensors tell may lead to the job's next step, which is a report of its own.
            may.append({"act": [self.last["act"]], "id": self.job, "state": "running"})
        if order["act"] == "cancel" and state == "cancelled" and self.job is not None:
            # The job has its own final report besides, and may say it again.
            may.append({"act": [self.last["act"]], "id": self.job, "state": "cancelled"})
        return [told, *ends], [*may, *running]

    def _ends_with(self, letter: Letter, outcome: Outcome) -> list[dict[str, Any]]:
        """The final report of a job that a fault ends."""
        if (
            letter.kind != "sensors"
            or outcome.next.job != "failed"
            or not outcome.faults
            or not self._was_open
        ):
            return []
        return [{"act": [self.last["act"]], "id": self.job, "state": "failed"}]

    _was_open: bool = False


def _payloads(order: dict[str, Any] | None) -> dict[str, Any]:
    if order is None:
        return {"json": UNREADABLE, "cbor": "a1"}
    return {
        "json": encode("job-order", order, Encoding.JSON).decode(),
        "cbor": encode("job-order", order, Encoding.CBOR).hex(),
    }


def exchanges_of(role: str) -> dict[str, Any]:
    """The file of one role."""
    site = scenario()
    node = site.nodes[NODES[role]]
    rules = Rules(specification(), node)
    letters = [one for one in alphabet(site, node, specification(), motion=True, hand=False) if _is_told(one)]
    machine = derive(Derivation(rules), letters)
    start = Life(site, node)
    return {
        "format": 1,
        "node": {"site": site.name, "name": node.name, "roles": list(node.roles)},
        "boot": BOOT,
        "start": start.state(machine.first),
        "exchanges": list(_exchanges(machine, site, node)),
    }


def _is_told(letter: Letter) -> bool:
    return letter.name not in LEFT_OUT


def _exchanges(machine: Machine, site: Site, node: NodeSite) -> Iterator[dict[str, Any]]:
    """Every transition once: what changes nothing one behind the other, where no job is open; all else for itself."""
    usable = [desk for desk in machine.edges if not (desk.open and desk.act in BY_ITSELF)]
    avoid = frozenset(
        (desk, name)
        for desk, edges in machine.edges.items()
        for name, outcomes in edges.items()
        if desk not in usable or outcomes[0].next not in usable
    )
    number = 0
    for desk in usable:
        way = machine.path(machine.first, [desk], avoid)
        if way is None:
            continue
        names = [name for name in machine.edges[desk] if len(machine.edges[desk][name]) == 1]
        stays = [
            n
            for n in names
            if machine.next(desk, n) == desk and not desk.open and not _counts(machine, desk, n)
        ]
        groups = [stays] if stays else []
        groups += [[name] for name in names if name not in stays]
        for group in groups:
            number += 1
            said = "what changes nothing" if group is stays else machine.letters[group[0]].says
            yield {
                "name": f"{said}; {desk}",
                "steps": list(_steps(machine, site, node, [*way, *group], number)),
            }


def _counts(machine: Machine, desk: Desk, name: str) -> bool:
    outcome = machine.edges[desk][name][0]
    return bool(outcome.holds or outcome.faults) or machine.letters[name].happens == "pushed"


def _steps(
    machine: Machine, site: Site, node: NodeSite, way: list[str], number: int
) -> Iterator[dict[str, Any]]:
    life, desk = Life(site, node), machine.first
    claim = machine.letters["claim"]
    life.used = 512
    yield life.step(desk, claim, machine.edges[desk]["claim"][0], number)
    for place, name in enumerate(way):
        letter, outcome = machine.letters[name], machine.edges[desk][name][0]
        life._was_open = desk.open
        yield life.step(desk, letter, outcome, number + place)
        desk = outcome.next
        if letter.happens == "finish" and life.last["act"] == "home":
            # Left closed, the switches would end the next homing before anything has moved.
            yield life.step(desk, SWITCHES_OPEN, Outcome(desk, ("done", None), "BEN-02", raised=True), number)


def written(document: dict[str, Any]) -> str:
    """The text of a file: one step a line, so that a difference is one line too."""
    head = {key: value for key, value in document.items() if key != "exchanges"}
    lines = [json.dumps(head, ensure_ascii=False)[:-1] + ', "exchanges": [']
    for number, one in enumerate(document["exchanges"]):
        last = number == len(document["exchanges"]) - 1
        lines.append(f' {{"name": {json.dumps(one["name"])}, "steps": [')
        steps = [f"  {json.dumps(step, ensure_ascii=False)}" for step in one["steps"]]
        lines.append(",\n".join(steps))
        lines.append(" ]}" + ("" if last else ","))
    return "\n".join([*lines, "]}"]) + "\n"


def main() -> None:
    """Write every file."""
    FOLDER.mkdir(exist_ok=True)
    for role in NODES:
        (FOLDER / f"{role}.json").write_text(written(exchanges_of(role)), encoding="utf-8")


if __name__ == "__main__":
    main()
