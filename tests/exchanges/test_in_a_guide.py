"""The test that the guide on order desks shows does what the guide says: right desks pass it, and wrong ones do not."""

from __future__ import annotations

import json
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from random import Random
from typing import Any

import pytest
from markdown_it import MarkdownIt

from protocol.participant import Delivery, Publication
from protocol.site import Site
from protocol.site_file import read_site, scenario_text
from protocol.topics import parse_topic
from protocol.validation import read_message
from reference_node.controller.controller import Controller
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.exchanges.make import NODES
from tests.exchanges.playing import files
from tests.faulty_nodes.board import Board, firmware

GUIDE = Path(__file__).parents[2] / "docs" / "guides" / "test-an-order-desk.md"
PART = 19
"""One exchange in so many is played by the sample; tests of their own play all to each node."""
Told = list[tuple[str, Mapping[str, Any]]]


def site() -> Site:
    """harlow-basin with nodes that read JSON, which the sample sends, and have the room for it."""
    text = scenario_text().replace('reads = "cbor"', 'reads = "both"').replace("buffer = 128", "buffer = 512")
    return read_site(text.encode(), "harlow-basin, JSON read")


class Desk:
    """What a reader of the guide writes: here a reference node on a clock of its own."""

    def __init__(self, name: str, controller: type[Controller], boot: int) -> None:
        yard = site()
        machines = Machines(yard.nodes[name], World(yard, alone=True), Random(1))
        self._node = Board(firmware(controller, yard, name, bench=True, machines=machines), boot, 0)
        self._now_ms, self._said = 0, list[Publication](self._node.connected(0))

    def pass_time(self, span_ms: int) -> None:
        end = self._now_ms + span_ms
        while (due := self._node.next_tick(self._now_ms)) is not None and due <= end:
            self._now_ms = max(due, self._now_ms + 1)
            self._said += self._node.tick(self._now_ms)
        self._now_ms = max(self._now_ms, end)

    def receive(self, topic: str, payload: bytes, retain: bool) -> None:
        self._said += self._node.receive(Delivery(topic, payload, retain=retain), self._now_ms)

    def said(self) -> Told:
        told: Told = []
        for one in self._said:
            name = parse_topic(one.topic).message
            body = read_message(name, one.payload, closed=True).body
            assert body is not None
            told.append((name, body))
        self._said.clear()
        return told


class ObeysNoHold(Controller):
    """A hold has no report: where nothing is ordered behind it, the state alone shows that it was not obeyed."""

    def hold(self) -> None:
        """It goes on."""


class EndsNoJob(Controller):
    """A job of it goes on for ever: its report is due while the main loop runs, and not at once."""

    def finish(self) -> None:
        """Nothing is done yet."""


def played(role: str, controller: type[Controller], exchanges: list[Any], folder: Path) -> None:
    """Run the test of the guide over a file of these exchanges. Raises AssertionError."""
    (block,) = (
        t.content for t in MarkdownIt("commonmark").parse(GUIDE.read_text("utf-8")) if t.info == "python"
    )
    given = folder / "vectors" / "exchanges"
    given.mkdir(parents=True)
    (given / "shuttle.json").write_text(
        json.dumps(files()[role] | {"exchanges": exchanges}), encoding="utf-8"
    )
    names: dict[str, Any] = {}
    exec(compile(block, str(GUIDE), "exec"), names)
    names["test_desk"](lambda boot: Desk(NODES[role], controller, boot))


@pytest.mark.parametrize("role", NODES)
def test_a_right_desk_passes(role: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    played(role, Controller, files()[role]["exchanges"][::PART], tmp_path)


def test_a_train_is_gone_in_the_time_that_the_guide_gives_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The longest wait: a right desk says that the track is empty `clear_ms` behind the last change of a sensor."""
    monkeypatch.chdir(tmp_path)
    gone = [one for one in files()["berth"]["exchanges"] if departs(one)]
    played("berth", Controller, gone[:2], tmp_path)


def departs(exchange: Mapping[str, Any]) -> bool:
    """Whether a train leaves in it, and the track is empty then."""
    states = [step["state"]["machines"]["berth"] for step in exchange["steps"] if "state" in step]
    return ("leaving", "empty") in pairwise(states)


def cut_behind(says: str) -> list[Any]:
    """The first exchange with such a step, up to it."""
    for exchange in files()["shuttle"]["exchanges"]:
        for number, step in enumerate(exchange["steps"], 1):
            if step["says"] == says:
                return [exchange | {"steps": exchange["steps"][:number]}]
    raise AssertionError(says)


@pytest.mark.parametrize(
    ("controller", "says", "told"),
    [
        (ObeysNoHold, "a hold", "held is False, and not True"),
        (EndsNoJob, "the job comes to its end", "the job comes to its end"),
    ],
)
def test_a_wrong_one_does_not(
    controller: type[Controller], says: str, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One by its state alone, one by a report that is due later than the answer."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(AssertionError, match=told):
        played("shuttle", controller, cut_behind(says), tmp_path)
