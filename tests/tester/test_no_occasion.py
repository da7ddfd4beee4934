"""What a tester cannot bring about: not judged where it did not occur, judged where it did."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from conformance.suite.verdict import Verdict
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Ack, Disconnect
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import judge


class LeavesOnce:
    """From 3 s on the first acknowledgement of the node is a DISCONNECT with no word before it instead."""

    def __init__(self) -> None:
        self._done = False

    def __call__(self, seen: LinkPacket) -> LinkPacket:
        if self._done or not seen.from_node or seen.at_us < 3_000_000 or not isinstance(seen.packet, Ack):
            return seen
        self._done = True
        return replace(seen, packet=Disconnect())


class TellsItsMemory(Controller):
    def node_status(self) -> dict[str, Any]:
        return super().node_status() | {"memory": 11_000}


class TellsItsMemoryNowAndThen(Controller):
    def node_status(self) -> dict[str, Any]:
        said = super().node_status()
        return said | ({"memory": 11_000} if self.mark % 2 else {})


def test_a_parting_that_was_not_seen_is_not_judged() -> None:
    result = judge("ferry")["link-parting"]
    assert (result.verdict, result.reason) == (Verdict.NONE, "the node was not seen to leave on purpose")


def test_a_disconnect_without_a_word_is_a_warning() -> None:
    result = judge("ferry", distort=LeavesOnce())["link-parting"]
    assert result.verdict is Verdict.PASS
    assert [(warning.requirement, warning.seen) for warning in result.warnings] == [("LNK-16", "on")]


def test_memory_is_told_always_or_not_at_all() -> None:
    silent = judge("ferry")["messages-memory"]
    assert silent.verdict is Verdict.NONE
    telling = judge("ferry", controller=TellsItsMemory)["messages-memory"]
    assert (telling.verdict, telling.warnings) == (Verdict.PASS, ())
    wavering = judge("ferry", controller=TellsItsMemoryNowAndThen)["messages-memory"]
    assert [warning.requirement for warning in wavering.warnings] == ["MSG-13"]
