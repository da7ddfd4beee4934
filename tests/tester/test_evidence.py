"""The evidence of a fail says what the author of the firmware has to know to fix it."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from conformance.oracle.link_log import Log
from conformance.reports import as_text
from conformance.reports.document import document
from conformance.suite.verdict import Broken, Verdict
from conformance.tester.evidence import gather
from protocol.guards import Order
from protocol.site import Site
from protocol.site_file import scenario
from protocol.wire.evidence import LinkPacket
from protocol.wire.packet import Connect, Publish, Subscribe
from reference_node.controller.controller import Controller
from tests.faulty_nodes.faulty import run_of


class AnswersCancelsUnderTheirOwnId(Controller):
    def answer(self, order: Order, state: str, reason: str | None = None) -> None:
        super().answer({key: value for key, value in order.items() if key != "ref"}, state, reason)


def naming(firmware: str) -> Site:
    """The site, whose file names the firmware of the ferry."""
    site = scenario()
    return replace(site, nodes=dict(site.nodes) | {"ferry": replace(site.nodes["ferry"], firmware=firmware)})


@pytest.mark.parametrize("case", ["orders-wrong-boot", "orders-answer-time"])
def test_an_answer_under_another_id_is_named_where_the_right_one_is_missing(case: str) -> None:
    run = run_of(
        "ferry", controller=AnswersCancelsUnderTheirOwnId, only=("orders-wrong-boot", "orders-answer-time")
    )
    evidence = run.perform()[case].evidence
    assert evidence is not None
    assert evidence.requirement == ("ORD-14" if case == "orders-wrong-boot" else "ORD-01")
    cancel = next(
        m.body for m in run.fixture.log.messages if m.body.get("act") == "cancel" and "ref" in m.body
    )
    assert str(cancel["ref"]) in evidence.expected
    assert evidence.seen.endswith(f"but one for 'cancel' {cancel['id']}")


class SaysVersion01(Controller):
    def node_status(self) -> dict[str, Any]:
        return super().node_status() | {"firmware": "0.1"}


@pytest.mark.parametrize(
    ("named", "verdict"), [("", Verdict.PASS), ("0.1", Verdict.PASS), ("0.2", Verdict.FAIL)]
)
def test_the_firmware_is_compared_only_with_one_that_the_site_file_names(
    named: str, verdict: Verdict
) -> None:
    case = "messages-node-status"
    result = run_of("ferry", controller=SaysVersion01, site=naming(named), only=(case,)).perform()[case]
    assert result.verdict is verdict, result.reason


def order_in_evidence(payload: bytes) -> str:
    log = Log()
    packet = Publish("yw1/harlow-basin/ferry/job-order", payload, qos=1, retain=False, dup=False, packet_id=1)
    trace = log.add(connection=1, at_ms=0.0, from_node=False, size=len(payload), packet=packet)
    return gather(Broken("ENC-10", "no report", "one", trace.number), log).lines[0].text


def test_unreadable_json_is_shown_as_text_and_anything_else_as_bytes() -> None:
    assert order_in_evidence(b'{"act":"jog"}\x1b[2J').endswith(r': {"act":"jog"}\u001b[2J')
    assert order_in_evidence(b'{"act":"\xff"}').endswith(r': {"act":"\xff"}')
    assert order_in_evidence(b"\xa1\x02\xff").endswith(": a1 02 ff")


def test_the_message_that_shows_it_is_whole_on_the_terminal() -> None:
    case = "messages-node-status"
    run = run_of("ferry", controller=SaysVersion01, site=naming("0.2"), only=(case,))
    told = run.perform()[case].evidence
    assert told is not None
    (shown,) = (line for line in told.lines if line.marked)
    text = as_text.render(document(run, seed=1))
    assert max(map(len, text.splitlines())) <= as_text.WIDTH
    assert " ".join(shown.text.split()) in " ".join(text.split())


def test_what_a_node_says_in_every_message_stands_behind_what_it_says_in_this_one() -> None:
    case = "messages-node-status"
    told = (
        run_of("ferry", controller=SaysVersion01, site=naming("0.2"), only=(case,)).perform()[case].evidence
    )
    assert told is not None
    said = [line.text.split() for line in told.lines if line.from_node and line.name == "node-status"]
    assert said
    for fields in said:
        assert [field.partition("=")[0] for field in fields[-3:]] == ["boot", "seq", "uptime"]


def test_what_the_finding_is_about_stands_first_in_every_line_then_the_state() -> None:
    run = run_of("ferry", only=("link-says-on", "orders-ask", "claim-raises"))
    run.perform()
    at = next(t.number for t in run.fixture.log.traces if isinstance(t.packet, Publish) and t.from_node)

    def first(expected: str, seen: str) -> list[str]:
        evidence = gather(Broken("ORD-03", expected, seen, at), run.fixture.log)
        told = next(line.text for line in evidence.lines if line.name == "node-status")
        return [field.partition("=")[0] for field in told.split()[:3]]

    assert first("that a node answers", "none")[0] == "state"
    assert set(first("a buffer of 512", "256, with uptime 3")[:2]) == {"buffer", "uptime"}
    assert first("a buffer of 512", "256, with uptime 3")[2] == "state"


def test_a_long_message_beside_the_one_that_shows_it_is_broken_into_lines_and_keeps_its_state() -> None:
    case = "messages-node-status"
    run = run_of("ferry", controller=SaysVersion01, site=naming("0.2"), only=(case,))
    run.perform()
    report = document(run, seed=1)
    (told,) = (one["evidence"] for one in report["cases"] if one["evidence"])
    (line,) = (line for line in told["lines"] if line["marked"])
    beside = line | {"marked": False, "text": f"state=on ignored=3 {'field=value ' * 40}"}
    told["lines"] = [beside, line]
    lines = as_text.render(report).splitlines()
    assert max(map(len, lines)) <= as_text.WIDTH
    (at,) = (number for number, text in enumerate(lines) if "ignored=3" in text)
    assert "state=on" in lines[at]
    shown = next(n for n, text in enumerate(lines[at + 1 :], 1) if text.startswith("  *"))
    assert shown == as_text.LINES_BESIDE
    assert lines[at + shown - 1].endswith(" ...")


@pytest.mark.parametrize(
    ("passes", "told"), [((), "nothing has connected"), ((Connect, Subscribe), "no message at all")]
)
def test_a_board_that_never_connects_is_told_from_one_that_says_nothing(
    passes: tuple[type, ...], told: str
) -> None:
    def silent(seen: LinkPacket) -> LinkPacket | None:
        return seen if isinstance(seen.packet, passes) else None

    result = run_of("ferry", only=("link-says-on",), distort=silent).perform()["link-says-on"]
    assert result.evidence is not None
    assert result.evidence.seen.startswith(told)


def repeated(log: Log) -> set[int]:
    """Numbers of the states that carry, but for seq and uptime, the bytes of the one before them."""
    said: dict[str, str] = {}
    found = set()
    for message in log.sent():
        if message.name != "job-report":
            text = str(
                sorted((k, v) for k, v in message.body.items() if k not in ("seq", "uptime", "memory"))
            )
            if said.get(message.topic) == text:
                found.add(message.number)
            said[message.topic] = text
    return found


def test_ten_packets_before_it_and_two_behind_are_shown_with_its_own_marked() -> None:
    run = run_of("ferry", only=("link-says-on", "orders-ask", "claim-raises"))
    run.perform()
    log = run.fixture.log
    repeats = repeated(log)
    assert repeats
    told = [
        t.number
        for t in log.traces
        if isinstance(t.packet, Publish | Connect | Subscribe) and t.number not in repeats
    ]
    for at in (told[0], told[9], told[-1]):
        evidence = gather(Broken("ORD-03", "an answer", "none", at), log)
        place = told.index(at)
        assert [line.number for line in evidence.lines] == told[max(0, place - 10) : place + 3]
        assert [line.number for line in evidence.lines if line.marked] == [at]
    end = gather(Broken("ORD-03", "an answer", "none"), log)
    assert [line.number for line in end.lines] == told[-11:]
    assert not any(line.marked for line in end.lines)


def test_packets_are_told_in_words() -> None:
    run = run_of("ferry", only=("link-says-on",))
    run.perform()
    log = run.fixture.log
    texts = {line.name: line.text for line in gather(Broken("ORD-03", "a", "b", 3), log).lines}
    boot = next(m.body["boot"] for m in log.sent("node-status"))
    will = f"boot={boot} state=off link=1"
    assert (
        texts["CONNECT"]
        == f"ferry clean session keep-alive 10 s, will on yw1/harlow-basin/ferry/node-status: {will}"
    )
    assert "yw1/harlow-basin/ferry/job-order QoS 1" in texts["SUBSCRIBE"]
    status = next(
        line for line in gather(Broken("ORD-03", "a", "b"), log).lines if line.name == "shuttle-status"
    )
    assert "held=no" in status.text
    node_status = next(
        line for line in gather(Broken("ORD-03", "a", "b", 5), log).lines if line.name == "node-status"
    )
    assert "bench=yes" in node_status.text
    assert "roles=[shuttle]" in node_status.text
    assert node_status.text.rsplit(" ", 3)[1].startswith("boot="), "what every message carries comes last"


def test_a_finding_about_how_often_a_state_is_said_shows_repeats_and_one_on_the_link_acknowledgements() -> (
    None
):
    run = run_of("ferry", only=("link-says-on", "orders-ask", "claim-raises"))
    run.perform()
    log = run.fixture.log
    repeats = repeated(log)

    def shown(requirement: str) -> set[int]:
        return {line.number for line in gather(Broken(requirement, "a", "b"), log).lines}

    assert not shown("ORD-03") & repeats
    assert shown("MSG-02") & repeats
    assert any(line.name == "PUBACK" for line in gather(Broken("LNK-15", "a", "b"), log).lines)
    assert not any(line.name == "PUBACK" for line in gather(Broken("ORD-03", "a", "b"), log).lines)
