"""An hour of holds and resumes at the desk while the bus goes away and nodes start again.

Compared at every moment, fifty times a second: the nodes that are really held, by their controllers, with the
nodes that were asked to be held, by a ledger of its own that a hold enters at once and that a resume leaves when
the desk has taken it. What the supervisor holds of itself, for a person at a machine, it may let go of itself; never
what somebody asked to be held. A message may be on its way for `SETTLE_MS` of an unbroken way between desk and node.
"""

from __future__ import annotations

from random import Random

import pytest

from reference_node.supervisor.person.by_hand import ByHand
from reference_node.supervisor.questions.question import Ask, Question
from reference_node.supervisor.send.holds import Stage
from tests.supervisor.terminal import NODES, Terminal, read
from tests.supervisor.test_next_step import CYCLE

STEP_MS = 20
SETTLE_MS = 1_500
"""A hold that is lost with a link is repeated after a second; a node answers within 200 ms."""
ANSWERED_MS = 5_500
"""No resume is repeated for longer than a node may be silent, and the supervisor looks ten times a second."""
LATE_MS = 30_000
"""So long a silent link may hold up what was sent before anybody could notice."""


class Storm:
    """The yard, the desk, the ledger, and the comparison."""

    def __init__(self, seed: int) -> None:
        self.rng = Random(seed)
        self.terminal = Terminal(seed=seed)
        self.supervisor = self.terminal.supervise(goals=CYCLE * 20, on_question=self.person, rng=Random(seed))
        self.hand = ByHand(lambda: self.supervisor, "the storm")
        self.asked: dict[str, int] = {}
        self.let_go: dict[str, int] = {}
        """Nodes that a resume was taken for, and when: each may go on once."""
        self.said: dict[str, int] = {}
        """When the newest resume of a node was taken."""
        self.own_ms: dict[str, int] = {}
        """When the supervisor held a node of itself last, for a person."""
        self.really = dict.fromkeys(NODES, False)
        self.boots = dict.fromkeys(NODES, 1)
        self.clear_since = dict.fromkeys(NODES, 0)
        self.dark_until = dict.fromkeys((*NODES, "yard"), 0)
        self.fell_ms = 0
        """When the desk was without the bus last."""
        self.read = 0
        self.done: dict[str, int] = {}

    @property
    def now_ms(self) -> int:
        return self.terminal.time.now_ms

    def count(self, what: str) -> None:
        self.done[what] = self.done.get(what, 0) + 1

    def person(self, question: Question) -> None:
        """Answers what is asked, but lifts no hold that way, and lets work go on a while after the bus is back."""
        if question.about is Ask.GAP:
            self.terminal.time.call_in(self.rng.randint(500, 5_000), lambda: self.answer(question))
        elif question.about is not Ask.HELD:
            self.terminal.person(question)

    def answer(self, question: Question) -> None:
        if question in self.supervisor.questions and self.supervisor.linked:
            question.answer()

    # ------------------------------------------------------------ what happens
    def befall(self) -> None:
        rng, bus = self.rng, self.terminal.bus
        match rng.choices(
            ("hold", "resume", "all", "reset", "away", "sever", "cut"), (30, 40, 3, 8, 4, 5, 5)
        )[0]:
            case "hold":
                self.hold(rng.choice(NODES))
            case "all":
                assert self.hand.hold("all") is None
                self.asked.update({name: self.now_ms for name in NODES if name not in self.asked})
            case "resume":
                self.say_resume()
            case "reset":
                name = rng.choice(NODES)
                self.terminal.reset(name)
                self.clear_since[name] = self.now_ms
                self.count("reset")
            case "away":
                for_ms = rng.randint(500, 40_000)
                for name in (*NODES, "yard"):
                    self.dark(name, for_ms)
                    bus.sever(name)
                self.count("away")
            case "sever":
                bus.sever(rng.choice((*NODES, "yard")))
            case "cut":
                self.dark(rng.choice((*NODES, "yard")), rng.randint(200, 20_000))

    def say_resume(self) -> None:
        """Mostly of what is held; now and then a node, or the bus, goes at the moment at which it is said."""
        rng = self.rng
        held = [one.node for one in self.hand.held()] if rng.random() < 0.7 else []
        if rng.random() < 0.1:
            self.dark(rng.choice(held or NODES), rng.randint(6_000, 20_000))
        falls = rng.random() < 0.1
        self.resume(rng.sample(held or NODES, min(len(held or NODES), rng.choice((1, 1, 1, 2)))))
        if falls:
            self.terminal.bus.sever("yard")

    def dark(self, name: str, for_ms: int) -> None:
        self.terminal.bus.cut(name, for_ms)
        self.dark_until[name] = max(self.dark_until[name], self.now_ms + for_ms)

    def hold(self, name: str) -> None:
        assert self.hand.hold(name) is None, "a hold is always taken"
        self.asked.setdefault(name, self.now_ms)
        self.count("hold")

    def resume(self, names: list[str]) -> None:
        held = {one.node: one for one in self.hand.held()}
        why = self.hand.resume(*names)
        if why is None:
            assert all(held[name].stage is Stage.OBEYED for name in names), "only what is held is resumed"
            assert self.terminal.bus.is_up("yard"), "and only while the bus is there"
            for name in names:
                self.asked.pop(name, None)
                self.let_go[name] = self.said[name] = self.now_ms
        self.count("resumed" if why is None else "refused")

    # ------------------------------------------------------------ what is compared
    def way_is_clear(self, name: str) -> bool:
        bus = self.terminal.bus
        dark = max(self.dark_until[name], self.dark_until["yard"]) > self.now_ms
        if dark or not (bus.is_up(name) and bus.is_up("yard")):
            self.clear_since[name] = self.now_ms
        return self.now_ms - self.clear_since[name] > SETTLE_MS

    def note_own_holds(self) -> None:
        for entry in list(self.supervisor.journal.entries)[-20:]:
            if ": hold, for a person at" in entry.text:
                self.own_ms[entry.text.partition(":")[0]] = entry.at_ms

    def compare(self) -> None:
        told = {one.node: one for one in self.hand.held()}
        self.note_own_holds()
        for name, controller in self.terminal.controllers.items():
            before, really = self.really[name], controller.held
            self.really[name] = really
            clear = self.way_is_clear(name)
            if before and not really and controller.boot == self.boots[name]:
                said_ms = self.let_go.pop(name, -LATE_MS)
                said = self.now_ms - said_ms < LATE_MS
                assert said or name not in self.asked, f"{name} was let go, and nobody said so"
                self.count("let go" if said else "let go by itself")
            self.boots[name] = controller.boot
            if name in self.asked:
                assert name in told, f"{name} is to be held, and the desk does not list it"
                if clear and self.now_ms - self.asked[name] > SETTLE_MS:
                    assert really, f"{name} was to be held since {self.asked[name]} ms"
            elif really:
                assert name in told, f"{name} is held, and the desk does not list it"
                if "for a person" in told[name].by:
                    self.own_ms[name] = self.now_ms
                    self.count("held for a person")
                elif (
                    clear
                    and self.now_ms - max(self.said.get(name, -1), self.own_ms.get(name, -1)) > SETTLE_MS
                ):
                    why = told[name].says
                    told_why = (
                        "the resume was",
                        "a hold has come after the resume",
                        "a resume is on its way",
                    )
                    assert any(one in why for one in told_why), why
                    self.count("held on, and told why")
            elif clear:
                self.count("free")

    def listen(self) -> None:
        """Every resume on the bus was said at the desk a moment ago, and is for that node."""
        log = self.terminal.bus.log
        if not self.terminal.bus.is_up("yard"):
            self.fell_ms = self.now_ms
        for entry in log[self.read :]:
            body = read(entry.topic, entry.payload) if entry.topic.endswith("/job-order") else None
            if body is not None and body["act"] == "resume":
                node = entry.topic.split("/")[2]
                if self.said.get(node, -1) < self.own_ms.get(node, -1):
                    asked_ms = self.asked.get(node, entry.at_ms)
                    assert entry.at_ms <= asked_ms, f"a resume of {node} that nobody said"
                    continue
                assert node in self.said, f"a resume of {node} that nobody said"
                kept = self.said[node] < self.fell_ms < entry.at_ms
                assert not kept, f"a resume of {node} waited for the bus"
                most_ms = LATE_MS if self.dark_until["yard"] > self.said[node] else ANSWERED_MS
                assert entry.at_ms - self.said[node] < most_ms, f"a resume of {node} long after it was said"
                self.count("resumes on the bus")
        self.read = len(log)


def storm(seed: int, minutes: int) -> Storm:
    """Let it rage, and compare all the time."""
    one = Storm(seed)
    next_ms = 20_000
    while one.now_ms < minutes * 60_000:
        one.terminal.time.run_until(one.now_ms + STEP_MS)
        if one.now_ms >= next_ms:
            one.befall()
            next_ms = one.now_ms + one.rng.choice((100, 500, 2_000, 8_000, 15_000))
        one.compare()
        one.listen()
    return one


@pytest.mark.slow
def test_an_hour_of_holds_and_resumes() -> None:
    done = storm(1, 60).done
    assert done["hold"] > 100
    assert done["resumed"] > 100
    assert done["refused"] > 100
    assert done["reset"] > 20
    assert done["away"] > 20
    assert done["resumes on the bus"] >= done["resumed"]
    assert done["free"] > 10_000


@pytest.mark.slow
def test_some_minutes_of_holds_and_resumes() -> None:
    done = storm(2, 6).done
    assert done["resumed"] > 5
    assert done["away"] > 0
