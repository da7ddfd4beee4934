"""Is this a message of the protocol? Closed as for a sender's message, or tolerant as a receiver is."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace
from itertools import islice
from typing import Any, NamedTuple

from protocol.codec import Decoded, decode
from protocol.codec.shape import Shape, shape_for
from protocol.codec.value import Value
from protocol.finding import Finding, Path
from protocol.schemas import broken_requirements, is_valid
from protocol.short_way import quick_body
from protocol.site import Encoding
from protocol.sizes import size_limit, topic_and_payload
from protocol.specification import TopicRule, specification
from protocol.topics import NotATopic, Topic, parse_topic

MOST_FINDINGS = 25
"""What the schema finds in one message and is told; an array of wrong entries would have hundreds."""
UNEXPLAINED = "Fix those that are explained first, or check this message alone"


class Reading(NamedTuple):
    """A payload as it was read: its body where a receiver can use it, and all that is wrong with it."""

    body: dict[str, Any] | None
    encoding: Encoding | None
    findings: tuple[Finding, ...] = ()

    @property
    def readable(self) -> bool:
        """Whether a tolerant receiver can use the body [ENC-09, ENC-10]."""
        return self.body is not None

    @property
    def valid(self) -> bool:
        """Whether nothing at all was found."""
        return not self.findings


def read_message(
    message: str, payload: bytes, *, closed: bool, explain: bool = True, short: bool = True
) -> Reading:
    """Read a payload of `message`.

    Closed, the findings are those of a sender's message: closed schema, deterministic encoding. Tolerant,
    they are what keeps a receiver from reading it: unknown fields are dropped; longer integers, key order,
    white space and escapes are overlooked. The body is what a tolerant receiver would use, in both cases.
    Without `explain` the verdict is the same in a tenth of the time: what does not fit the schema is named by
    requirement and not put into words. Without `short` what is beyond doubt valid is looked at as closely as the rest.

    Raises KeyError for an unknown message, and nothing for any payload.
    """
    if (
        short
        and (quick := quick_body(message, payload, specification().most("publish_yard_map"))) is not None
    ):
        return Reading(*quick)
    decoded = decode(message, payload)
    if decoded.body is None:
        return Reading(None, decoded.encoding, tuple(flaw.finding for flaw in decoded.flaws))
    shape = shape_for(message, decoded.body.get("act"))
    known = _known(shape, decoded)
    readable = decoded.readable and is_valid(message, known, closed=False)
    if readable and (not closed or (not decoded.flaws and _closed_too(message, decoded, known))):
        return Reading(known, decoded.encoding)
    if explain:
        findings = _findings(message, shape, decode(message, payload, locate=True), known, closed=closed)
    else:
        findings = _unexplained(message, decoded, known, closed=closed)
    return Reading(known if readable else None, decoded.encoding, findings)


def readable_body(message: str, payload: bytes) -> dict[str, Any] | None:
    """The body that `read_message` gives, without what is wrong with it. Raises KeyError for the message."""
    decoded = decode(message, payload)
    if decoded.body is None or not decoded.readable:
        return None
    known = _known(shape_for(message, decoded.body.get("act")), decoded)
    return known if is_valid(message, known, closed=False) else None


def _known(shape: Shape, decoded: Decoded) -> dict[str, Value]:
    """The fields that the schema has."""
    assert decoded.body is not None
    return {str(name): value for name, value in decoded.body.items() if name in shape.fields}


def _closed_too(message: str, decoded: Decoded, known: dict[str, Value]) -> bool:
    return (
        decoded.body is not None and len(decoded.body) == len(known) and is_valid(message, known, closed=True)
    )


def _findings(
    message: str, shape: Shape, decoded: Decoded, known: dict[str, Value], *, closed: bool
) -> tuple[Finding, ...]:
    """All findings, the codec's first, then the schema's at places where the codec found nothing."""
    from protocol.schema_findings import schema_findings  # jsonschema is slow to import, and rarely needed.

    flaws = [flaw for flaw in decoded.flaws if closed or not flaw.forgiven]
    broken = {flaw.path for flaw in flaws if flaw.path and not flaw.forgiven}
    body = decoded.body if closed else known
    located = [
        replace(finding, byte=decoded.bytes.get(path))
        for path, finding in islice(
            schema_findings(message, shape, body, decoded.encoding, closed=closed), MOST_FINDINGS
        )
        if path not in broken or not path
    ]
    return tuple(dict.fromkeys([_with_byte(flaw.finding, flaw.path, decoded) for flaw in flaws] + located))


def _unexplained(
    message: str, decoded: Decoded, known: dict[str, Value], *, closed: bool
) -> tuple[Finding, ...]:
    """The codec's findings, and one for each requirement that the schema finds broken."""
    flaws = [flaw.finding for flaw in decoded.flaws if closed or not flaw.forgiven]
    body = decoded.body if closed else known
    assert body is not None
    broken = broken_requirements(message, body, closed=closed)
    what = f"does not fit the schema of {message}; not explained, as many before it were"
    findings = [*flaws, *(Finding(id_, what, "", None, UNEXPLAINED) for id_ in broken)]
    return tuple(findings) or (Finding("ENC-05", what, "", None, UNEXPLAINED),)


def _with_byte(finding: Finding, path: Path, decoded: Decoded) -> Finding:
    return (
        finding
        if finding.byte is not None
        else replace(finding, byte=decoded.bytes.get(path) if path else None)
    )


def read_publication(
    topic: str,
    payload: bytes,
    *,
    retain: bool | None,
    qos: int | None,
    closed: bool = True,
    explain: bool = True,
    short: bool = True,
) -> Reading:
    """Read what was published on `topic`: the message, and whether topic, size, retain flag and QoS fit.

    `retain` and `qos` are the sender's; None where they are not known (a subscriber sees the retain flag only
    of what the broker kept). Flags and sizes bind senders, so they are judged only when `closed`. `explain` and
    `short` are those of `read_message`.
    """
    try:
        parts = parse_topic(topic)
    except NotATopic as error:
        fix = "Topics are yw1/SITE/NODE/MESSAGE, spelt exactly"
        return Reading(None, None, (Finding("ENC-13", str(error), "topic", None, fix),))
    reading = read_message(parts.message, payload, closed=closed, explain=explain, short=short)
    if not closed:
        return reading
    around = [
        *_size(topic, parts.message, payload, reading.encoding),
        *_flags(specification().topics[parts.message], retain, qos),
        *_addressee(parts, reading),
    ]
    return reading._replace(findings=(*reading.findings, *around))


def is_newer(minor: int | None) -> bool:
    """Whether a participant says a minor version that nothing is known of here."""
    return minor is not None and minor > specification().minor


def of_newer_minor(message: str, act: object, findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """What is left of the findings of a message whose sender is newer than this specification.

    Fields that are not known here may be fields there, so that they are no fault.
    """
    fields = shape_for(message, act).fields if message else {}
    return tuple(one for one in findings if one.requirement != "ENC-06" or one.where in ("", *fields))


def _size(topic: str, message: str, payload: bytes, encoding: Encoding | None) -> list[Finding]:
    most = size_limit(message, encoding) if encoding is not None else None
    size = topic_and_payload(topic, payload)
    if encoding is None or most is None or size <= most:
        return []  # What is limited in its payload alone was refused by the codec already.
    what = f"topic plus payload have {size} bytes; in {encoding.upper()} {most} are allowed"
    return [Finding("ENC-07", what, "size", None, "Leave optional fields out, or use shorter labels")]


def _flags(rule: TopicRule, retain: bool | None, qos: int | None) -> list[Finding]:
    findings = []
    if retain is not None and retain != rule.retain:
        wanted, seen = ("set", "clear") if rule.retain else ("clear", "set")
        what = f"{rule.message} is published with the retain flag {seen}"
        fix = f"Publish it with the retain flag {wanted}"
        findings.append(Finding("LNK-12" if rule.retain else "LNK-13", what, "retain", None, fix))
    if qos is not None and qos not in rule.qos:
        allowed = " or ".join(map(str, rule.qos))
        what = f"{rule.message} is published at QoS {qos}; allowed is {allowed}"
        findings.append(Finding("LNK-19", what, "qos", None, f"Publish it at QoS {allowed}"))
    return findings


def _addressee(topic: Topic, reading: Reading) -> list[Finding]:
    act = reading.body.get("act") if reading.body else None
    if topic.node != specification().everyone or act in (None, "hold"):
        return []
    what = f"{act!r} is sent to every node; only a hold may be"
    return [Finding("HLD-06", what, "topic", None, "Send it on the topic of the node that is meant")]
