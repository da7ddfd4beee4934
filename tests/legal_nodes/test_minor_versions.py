"""Boards are judged by the minor version that they say: one of 1.0 passes as it did, one of a later kit's too."""

from __future__ import annotations

from typing import Any

import pytest

from conformance.reports.document import document
from conformance.suite.case import all_cases
from conformance.suite.verdict import Verdict
from conformance.tester.runner import NOT_OF_ITS_VERSION
from protocol.specification import specification
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import judge, run_of
from tests.legal_nodes.first_minor import FirstMinor

NODES = ("north", "siding", "ferry")


@pytest.mark.parametrize("bench", [True, False], ids=["bench", "service"])
@pytest.mark.parametrize("node", NODES)
def test_a_board_of_the_first_minor_version_passes(node: str, bench: bool) -> None:
    run = run_of(node, controller=FirstMinor, bench=bench)
    results = run.perform()
    wrong = {id_: r.reason for id_, r in results.items() if r.verdict not in (Verdict.PASS, Verdict.NONE)}
    assert wrong == {}
    assert sum(result.verdict is Verdict.PASS for result in results.values()) > 70
    newer = {id_ for id_, case in all_cases().items() if case.since and node_has(node, case.roles)}
    assert all(results[id_].reason.startswith(NOT_OF_ITS_VERSION) for id_ in newer)
    report = document(run, seed=1)
    assert (report["says"], report["judged_by"]) == ("1.0", "1.0")
    assert any(note.startswith("it says protocol 1.0 and is judged by that") for note in report["notes"])


def node_has(node: str, roles: tuple[str, ...]) -> bool:
    return {"north": "crane", "siding": "berth", "ferry": "shuttle"}[node] in roles


class OfAVersionToCome(Controller):
    """Says a minor version that this kit does not know, with a field of its own in what it says."""

    minor = 200

    def body(self, message: str) -> dict[str, Any]:
        return super().body(message) | {"hue": 7}


@pytest.mark.parametrize("node", NODES)
def test_a_board_of_a_version_to_come_is_judged_by_ours_with_a_remark(
    node: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    _let_through(monkeypatch)
    run = run_of(node, controller=OfAVersionToCome)
    wrong = {
        id_: r.reason for id_, r in run.perform().items() if r.verdict not in (Verdict.PASS, Verdict.NONE)
    }
    assert wrong == {}
    report = document(run, seed=1)
    assert (report["says"], report["judged_by"]) == ("1.200", specification().dotted())
    assert any("which this kit does not know" in note for note in report["notes"])


def _let_through(monkeypatch: pytest.MonkeyPatch) -> None:
    """Our encoder writes no field that it does not know; that of a later version writes its own."""
    from protocol.codec import encode
    from protocol.site import Encoding
    from reference_node import envelope

    def newer(message: str, body: dict[str, Any], encoding: Encoding) -> bytes:
        known = encode(message, {name: value for name, value in body.items() if name != "hue"}, encoding)
        if "hue" not in body:
            return known
        if encoding is Encoding.JSON:
            return known[:-1] + b',"hue":7}'
        assert known[0] & 0x1F < 23, "a map of so many fields has another head"
        return bytes([known[0] + 1]) + known[1:] + b"\x18\x5a\x07"

    monkeypatch.setattr(envelope, "encode", newer)


def test_a_board_of_our_version_with_a_field_of_its_own_is_wrong(monkeypatch: pytest.MonkeyPatch) -> None:
    _let_through(monkeypatch)

    class Ours(OfAVersionToCome):
        minor = specification().minor

    results = judge("siding", controller=Ours)
    assert results["encoding-fields"].verdict is Verdict.FAIL
