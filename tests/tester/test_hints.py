"""A hint is told where it fits what was seen, and not elsewhere."""

from __future__ import annotations

import json
from typing import Any

import pytest

from conformance.oracle.link_log import Log
from conformance.suite.verdict import Broken, Verdict
from conformance.tester.hints.hints import hints, of_breach
from protocol.codec import encode
from protocol.site import Encoding
from protocol.wire.packet import Publish
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of

TOPIC = "yw1/harlow-basin/ferry/"


def log_of(*said: tuple[str, bytes, dict[str, Any]]) -> Log:
    """Messages in order: name, payload, and what is special of its packet; those but orders are the node's."""
    log = Log()
    for number, (name, payload, special) in enumerate(said):
        flags: dict[str, Any] = {"retain": False, "dup": False, **special}
        packet = Publish(TOPIC + name, payload, qos=1, packet_id=1, **flags)
        log.add(connection=1, at_ms=number, from_node=name != "job-order", size=9, packet=packet)
    return log


def told(
    requirement: str, log: Log, at: int | None = None, *, expected: str = "one", seen: str = "another"
) -> str:
    return " ".join(of_breach(Broken(requirement, expected, seen, at), log).causes)


def body(name: str, **fields: Any) -> bytes:
    return encode(name, fields, Encoding.JSON)


@pytest.mark.parametrize(
    ("payload", "fits", "not_this"),
    [
        (b'{"act":"ask","token":5,}', "comma before the closing", "CBOR decoder"),
        (b'{"act":"ask","token":"5"}', "the JSON library is lenient", "comma before the closing"),
        (b"\xa1\x02\xff", "CBOR decoder", "JSON"),
    ],
)
def test_a_lenient_library_is_named_by_what_it_took(payload: bytes, fits: str, not_this: str) -> None:
    text = told("ENC-10", log_of(("job-order", payload, {})))
    assert fits in text
    assert not_this not in text


def test_a_retained_order_is_named_only_where_there_was_one() -> None:
    hold = json.dumps({"act": "hold"}, separators=(",", ":")).encode()
    assert "retain flag of the packet" in told("LNK-14", log_of(("job-order", hold, {"retain": True})))
    assert "retain flag of the packet" not in told("LNK-14", log_of(("job-order", hold, {})))


def test_a_message_that_is_sent_again_is_named_for_any_requirement() -> None:
    refused = {"act": "park", "id": 1, "order_boot": 1, "state": "refused"}
    report = body("job-report", boot=1, seq=1, uptime=1, mark=0, reason="unsupported", **refused)
    for special, named in (({"dup": True}, True), ({}, False)):
        text = told("MSG-07", log_of(("job-report", report, special)), 1)
        assert ("(DUP is set)" in text) is named


def test_another_role_is_named_only_where_the_refusal_is_what_is_wrong() -> None:
    refused = {"act": "park", "id": 1, "order_boot": 1, "state": "refused"}
    report = body("job-report", boot=1, seq=1, uptime=1, mark=0, reason="unsupported", **refused)
    log, seen = log_of(("job-report", report, {})), "state 'refused', reason 'unsupported'"
    wrongly = told("ORD-10", log, 1, expected="state 'refused', reason 'late'", seen=seen)
    assert "built for another role" in wrongly
    rightly = told("ORD-08", log, 1, expected="mark 1 in the report", seen="mark 0")
    assert "built for another role" not in rightly


def test_an_old_state_that_comes_again_is_told_from_one_that_never_changed() -> None:
    def state(seq: int, place: str) -> tuple[str, bytes, dict[str, Any]]:
        return (
            "fault",
            body("fault", boot=1, seq=seq, uptime=seq, active=[place] if place else [], faults=0),
            {},
        )

    again = log_of(state(1, ""), state(2, "jammed"), state(3, ""))
    same = log_of(state(1, ""), state(2, ""), state(3, ""))
    assert "an old state is sticky" in told("MSG-01", again, 3)
    assert "an old state is sticky" not in told("MSG-01", same, 3)


def test_what_may_always_be_stands_behind_what_fits() -> None:
    hold = json.dumps({"act": "hold"}, separators=(",", ":")).encode()
    texts = of_breach(Broken("LNK-14", "a", "b"), log_of(("job-order", hold, {"retain": True}))).causes
    general = [one.text for one in hints()["LNK-14"] if not one.when]
    assert list(texts[-len(general) :]) == general
    assert len(texts) > len(general)


def test_an_order_that_lacks_a_field_is_no_matter_of_types() -> None:
    text = told("ENC-10", log_of(("job-order", b'{"act":"claim","boot":3}', {})))
    assert "a missing field keeps the value" in text
    assert "lenient" not in text


def test_where_only_the_fault_is_missing_nothing_was_obeyed() -> None:
    log = log_of(("job-order", b'{"act":"ask","token":"5"}', {}))
    assert not told("ENC-10", log, expected="the fault 'bad-message'", seen="no such fault")


def fault(seq: int, faults: int, *active: str) -> tuple[str, bytes, dict[str, Any]]:
    said = {"changed": active[-1], "level": "halt"} if active else {}
    return "fault", body("fault", boot=1, seq=seq, uptime=seq, active=list(active), faults=faults, **said), {}


@pytest.mark.parametrize(("before", "fits"), [((fault(1, 3, "power-lost")), True), ((fault(1, 3)), False)])
def test_a_fault_that_comes_again_is_told_from_one_that_comes(before: Any, fits: bool) -> None:
    order = body("job-order", act="stimulus", boot=1, id=9, inputs=[["motor-power", False, 0]])
    log = log_of(before, ("job-order", order, {}), fault(2, 3, "power-lost"))
    text = told("FLT-02", log, 3, expected="faults 4 on motor power lost and found", seen="faults 3")
    assert ("comes again while it stands" in text) is fits
    assert "does not know the job" not in text


def test_the_hint_reaches_the_evidence_of_a_real_fail() -> None:
    """A node whose JSON library reads a comma before the closing brace, as that of MicroPython does."""

    class Lenient(Controller):
        def receive(self, delivery: Any, now_ms: int) -> Any:
            if delivery.payload.startswith(b"{"):
                from dataclasses import replace

                delivery = replace(delivery, payload=delivery.payload.replace(b"}}", b"}").rstrip(b"\x00"))
            return super().receive(delivery, now_ms)

    case = "encoding-tails"
    for seed in range(1, 12):
        result = run_of("ferry", controller=Lenient, only=(case,), seed=seed).perform()[case]
        if result.verdict is Verdict.FAIL:
            assert result.evidence is not None
            assert any("does not look at what stands behind" in cause for cause in result.evidence.causes)
            return
    raise AssertionError("no seed chose a tail that the library lets pass")
