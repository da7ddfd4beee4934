"""Bytes: what a node writes, and what it does with what it cannot read."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import cbor2

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.exchange import Answer
from conformance.suite.fixture import Fixture
from conformance.suite.occasions import EVERYTHING
from conformance.suite.preamble import fault_count
from conformance.suite.unreadable_orders import (
    encodings_read,
    keyed,
    own_unreadable,
    raises_bad_message,
    sample_of_vectors,
    spoilt_acts,
    with_strange_field,
)
from protocol.site import Encoding, NodeSite, Site

FLOOD_MS, FLOOD_GAP_MS = 3000, 100


# ---------------------------------------------------------------- what the node writes


def _writes(encoding: Encoding) -> Any:
    def applies(_site: Site, node: NodeSite) -> str:
        return "" if node.writes is encoding else f"the node writes {node.writes.upper()}"

    return applies


def _free_of(fixture: Fixture, requirement: str, expected: str, *, also: str = "") -> None:
    """Demand that no message of the node has a finding against `requirement`, or against `also`."""
    for message in fixture.log.sent():
        found = next((one for one in message.findings if one.requirement in (requirement, also)), None)
        fixture.check(found is None, requirement, expected, found, message)


@case("ENC-01", after=("link-says-on",), passive=True, occasions=EVERYTHING)
def encoding_one_item(fixture: Fixture) -> None:
    """Every payload of the node is one JSON object or one CBOR map with nothing before or behind it.

    Judged from every message of the run (RFC 8259 section 2, RFC 8949 section 3.1), in the encoding that
    the site file says.
    """
    # To its reader a tail makes a payload unreadable [ENC-12]; its sender has broken ENC-01.
    _free_of(fixture, "ENC-01", "one object or map and nothing else", also="ENC-12")
    for message in fixture.log.sent():
        told = message.encoding or fixture.node.writes
        fixture.check(
            told is fixture.node.writes, "MSG-12", f"payloads in {fixture.node.writes}", told, message
        )


@case("ENC-02", after=("link-says-on",), passive=True, occasions=EVERYTHING, applies=_writes(Encoding.CBOR))
def encoding_deterministic(fixture: Fixture) -> None:
    """A payload in CBOR is encoded deterministically.

    Judged from every message of the run: shortest integers and lengths, definite lengths, keys in bytewise
    order and none twice (RFC 8949 section 4.2.1).
    """
    _free_of(fixture, "ENC-02", "deterministic CBOR")


@case("ENC-03", after=("link-says-on",), passive=True, occasions=EVERYTHING, applies=_writes(Encoding.JSON))
def encoding_plain_json(fixture: Fixture) -> None:
    """A payload in JSON is UTF-8 without byte order mark, double members or white space outside strings.

    Judged from every message of the run (RFC 8259 sections 4 and 8.1).
    """
    _free_of(fixture, "ENC-03", "plain JSON")


@case("ENC-04", after=("link-says-on",), passive=True, occasions=EVERYTHING)
def encoding_integers(fixture: Fixture) -> None:
    """Every quantity is an integer.

    Judged from every message of the run: no float, fraction, exponent, tag or null.
    """
    _free_of(fixture, "ENC-04", "integers only")


@case("ENC-05", after=("link-says-on",), passive=True, occasions=EVERYTHING)
def encoding_ranges(fixture: Fixture) -> None:
    """Every field lies within the range, length and words of its schema.

    Judged from every message of the run.
    """
    _free_of(fixture, "ENC-05", "fields within their schema")


@case("ENC-06", after=("link-says-on",), passive=True, occasions=EVERYTHING)
def encoding_fields(fixture: Fixture) -> None:
    """Every message carries all fields that its schema requires and none that it does not name.

    Judged from every message of the run.
    """
    _free_of(fixture, "ENC-06", "the fields of the schema")


@case("ENC-07", after=("link-says-on",), passive=True, occasions=EVERYTHING)
def encoding_sizes(fixture: Fixture) -> None:
    """Topic plus payload of every message stay within the limit of their encoding.

    Judged from every message of the run.
    """
    _free_of(fixture, "ENC-07", "topic plus payload within the limit")


@case("ENC-13", after=("link-says-on",), passive=True, occasions=EVERYTHING)
def encoding_topics(fixture: Fixture) -> None:
    """Every topic that the node publishes on is one of the protocol's and its own.

    Judged from every message of the run: site, node and message name as in the site file, spelt exactly,
    and only the messages of its roles.
    """
    _free_of(fixture, "ENC-13", "a topic of the protocol")
    own = f"{fixture.spec.root}/{fixture.site.name}/{fixture.name}/"
    names = {*fixture.state_topics, "job-report"}
    for message in fixture.log.sent():
        fixture.check(message.topic.startswith(own), "ENC-13", f"topics under {own}", message.topic, message)
        fixture.check(
            message.name in names, "ENC-13", f"one of {in_words(sorted(names))}", message.topic, message
        )


# ---------------------------------------------------------------- what the node reads


@case("ENC-09", after=("claim-raises",))
def encoding_unknown_fields(fixture: Fixture) -> None:
    """A node ignores fields of an order that it does not know.

    Sends asks and a claim that carry a field no version 1 schema names, in every encoding that the node
    reads, and expects them to be answered as if the field were not there.
    """
    for encoding in encodings_read(fixture.node):
        token = fixture.new_token()
        before = fixture.send_raw(with_strange_field({"act": "ask", "token": token}, encoding))
        report = _answer(fixture, "ask", before, token=token)
        fixture.check(report is not None, "ENC-09", f"an answer to ask {token} in {encoding}", "none")
        claim = fixture.compose("claim", id=fixture.ask().mark + 4096)
        before = fixture.send_raw(with_strange_field(claim, encoding))
        id_ = claim["id"]
        report = _answer(fixture, "claim", before, order=id_)
        said = report.body["state"] if report else "no report"
        fixture.equal(said, "done", "ENC-09", f"claim {id_} in {encoding} 'done'", report)


@case("MSG-12", "ORD-01", after=("orders-ask",))
def encoding_reads(fixture: Fixture) -> None:
    """A node reads every encoding that it says it reads.

    Sends an ask in each encoding that the site file gives the node.
    """
    for encoding in encodings_read(fixture.node):
        token = fixture.new_token()
        before = fixture.send_raw(fixture.encoded({"act": "ask", "token": token}, encoding))
        report = _answer(fixture, "ask", before, token=token)
        fixture.check(report is not None, "ORD-01", f"an answer to an ask in {encoding}", "none")


@case("ENC-10", "ENC-12", "FLT-03", after=("claim-raises", "faults-wrong-count"))
def encoding_unreadable(fixture: Fixture) -> None:
    """An order that cannot be read moves nothing, raises no mark, gets no report and raises 'bad-message'.

    Sends two dozen unreadable orders from the published vectors, chosen at random, and some of its own:
    orders for this very boot with a field missing, out of range or of an unknown word, and every act of the node with
    one of its fields missing, of another type, too long or nested, and with an unknown field nested too deep. Jobs
    among them are late besides. Behind each stands a fence. Then one in each encoding that the node reads, each behind
    a reset-fault, and the same once more while the node is held: each raises 'bad-message' again.
    """
    before = fixture.ask()
    for name, payload in (*own_unreadable(fixture), *spoilt_acts(fixture), *sample_of_vectors(fixture)):
        sent = fixture.send_raw(payload)
        after = fixture.unmoved(before, "ENC-10")
        reports = [m for m in fixture.log.sent("job-report", sent) if m.number != after.report.number]
        shown = reports[0] if reports else None
        fixture.check(not reports, "ENC-10", f"no report ({name})", shown.body if shown else "", shown)
        fixture.equal(after.mark, before.mark, "ENC-10", f"mark {before.mark} ({name})", after.report)
    _bad_message(fixture, before)
    # One of those above that came within the gap may be told behind it, and would pass for the next.
    fixture.watch(fixture.spec.timing["bad_message_gap"].least or 0)
    for where in ("not held", "held"):
        for encoding in encodings_read(fixture.node):
            raises_bad_message(fixture, encoding, where)
        if where == "not held":
            fixture.send({"act": "hold"})


@case("ENC-14", after=("claim-raises",))
def encoding_other_writing(fixture: Fixture) -> None:
    """What is written otherwise than a sender must, and means the same, is obeyed whole or not at all.

    Claims with keys out of order and with longer integers in CBOR, with white space and with needless escapes in JSON.
    Each is answered 'done' and has raised the mark to its id, or has no answer and has left the mark alone.
    """
    for encoding in encodings_read(fixture.node):
        for name, write in OTHERWISE[encoding].items():
            before = fixture.ask()
            claim = fixture.compose("claim", id=before.mark + 4096)
            sent = fixture.send_raw(write(claim))
            after = fixture.unmoved(before, "ENC-14")
            reports = [
                m for m in fixture.log.sent("job-report", sent) if m.is_report("claim", order=claim["id"])
            ]
            said = tuple(m.body["state"] for m in reports), after.mark
            whole, nothing = (("done",), claim["id"]), ((), before.mark)
            expected = f"'done' and mark {claim['id']}, or no report and mark {before.mark} ({name})"
            fixture.check(said in (whole, nothing), "ENC-14", expected, said, after.report)


def _backwards(body: dict[str, Any]) -> bytes:
    return cbor2.dumps(dict(sorted(keyed(body).items(), reverse=True)))


def _longer(body: dict[str, Any]) -> bytes:
    """Every integer value in nine bytes (RFC 8949 section 3)."""
    pairs = sorted(keyed(body).items())
    values = (cbor2.dumps(key) + b"\x1b" + value.to_bytes(8) for key, value in pairs)
    return bytes([0xA0 | len(pairs)]) + b"".join(values)


def _blanks(body: dict[str, Any]) -> bytes:
    return json.dumps(body, separators=(", ", ": ")).encode()


def _escapes(body: dict[str, Any]) -> bytes:
    plain = json.dumps(body, separators=(",", ":"))
    return plain.replace('"claim"', '"\\u0063laim"').encode()


OTHERWISE: dict[Encoding, dict[str, Callable[[dict[str, Any]], bytes]]] = {
    Encoding.CBOR: {"keys out of order": _backwards, "longer integers": _longer},
    Encoding.JSON: {"white space": _blanks, "a needless escape": _escapes},
}


@case("ENC-12", after=("claim-raises",))
def encoding_tails(fixture: Fixture) -> None:
    """A payload that is truncated, has bytes behind its end or is nested too deep is one that cannot be read.

    Takes a good ask, cuts it at random lengths, puts bytes behind it, and wraps a value of it too deep;
    none of these is answered (RFC 8949 appendix F).
    """
    for encoding in encodings_read(fixture.node):
        token = fixture.new_token()
        good = fixture.encoded({"act": "ask", "token": token}, encoding)
        cut = good[: fixture.rng.randrange(1, len(good))]
        deep = 8
        nested: Any = 0
        for _ in range(deep):
            nested = [nested]
        tail = good + fixture.rng.choice((b"\x00", b"}", good))
        for name, payload in (
            ("truncated", cut),
            ("a tail", tail),
            ("too deep", with_strange_field({"act": "ask", "token": token}, encoding, nested)),
        ):
            before = fixture.send_raw(payload)
            fixture.ask()
            answers = [m for m in fixture.log.sent("job-report", before) if m.is_report("ask", token=token)]
            fixture.check(
                not answers,
                "ENC-12",
                f"no answer ({name}, {encoding})",
                "an answer",
                answers[0] if answers else None,
            )


@case("ENC-11", after=("encoding-unreadable",))
def encoding_flood(fixture: Fixture) -> None:
    """A flood of unreadable orders makes at most one fault a second, and the node works on.

    Listens for a second for how often the node repeats its fault without any. Then sends one every tenth of a second
    for three seconds and counts the fault messages meanwhile, heartbeats allowed for, and the end of a fault left out;
    then asks.
    """
    fixture.ask()
    gap = fixture.spec.timing["bad_message_gap"].least or 0
    before = fixture.watch(gap)
    usual = len(list(fixture.log.sent("fault", before)))
    before = fixture.log.end
    for _ in range(FLOOD_MS // FLOOD_GAP_MS):
        fixture.send_raw(b'{"act":"' + bytes([97 + fixture.rng.randrange(26)]))
        fixture.watch(FLOOD_GAP_MS)
    faults = [m for m in fixture.log.sent("fault", before) if "bad-message" in m.body.get("active", ())]
    raised = FLOOD_MS // gap + 1
    beats = FLOOD_MS // (fixture.spec.timing["state_repeat"].most or 1) + 1
    if usual > 1:
        beats = (usual + 1) * FLOOD_MS // gap + 1
    seen = len(faults)
    most = raised + beats
    fixture.check(
        seen <= most,
        "ENC-11",
        f"at most {most} fault messages in {FLOOD_MS} ms",
        seen,
        faults[-1] if faults else None,
    )
    fixture.ask()


def _bad_message(fixture: Fixture, before: Answer) -> None:
    """Demand that 'bad-message' is or was active since `before`, and that the fault count has not moved."""
    since = before.report.number
    gap = fixture.spec.timing["bad_message_gap"].least or 0

    def raised(message: Message) -> bool:
        body = message.body
        active = "bad-message" in body.get("active", ()) or body.get("changed") == "bad-message"
        return message.from_node and message.name == "fault" and active

    seen = fixture.wait_for(raised, fixture.stretched(2 * gap), since)
    fixture.check(seen is not None, "ENC-10", "the fault 'bad-message'", "no such fault")
    after = fixture.ask()
    told = (fault_count(before), fault_count(after))
    fixture.check(told[0] == told[1], "FLT-03", f"fault count {told[0]}", told[1], after.report)


def _answer(fixture: Fixture, act: str, before: int, **who: int) -> Message | None:
    return fixture.wait_for(lambda m: m.is_report(act, **who), fixture.patience_ms, before)
