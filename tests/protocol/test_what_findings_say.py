"""What is told of a message whole: requirement, words, field, byte and fix; to a sender and to a receiver."""

from __future__ import annotations

import json
from typing import Any

import cbor2
import pytest

from protocol.codec.words import to_numbers
from protocol.finding import Finding, Flaw, spell
from protocol.schemas import MOST_ERRORS, broken_requirements, is_valid, opened, schema_for, schema_set
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import NotATopic, Topic, parse_topic
from protocol.trouble import Trouble
from protocol.validation import (
    MOST_FINDINGS,
    UNEXPLAINED,
    Reading,
    is_newer,
    of_newer_minor,
    read_message,
    read_publication,
    readable_body,
)

CRANE = (
    '{"boot":1,"seq":2,"uptime":3,"mark":4,"held":false,"holds":0,"mode":"ready","axes":[[1,2,true]],'
    '"spreader":"open","load":"none"}'
)
STATUS = (
    '{"boot":1,"seq":2,"uptime":3,"mark":4,"state":"on","link":1,"roles":["crane"],"firmware":"1.0","minor":1,'
    '"reads":"both","reset":"power-on","bench":false,"digest":5,"buffer":512}'
)
REPORT = '{"boot":1,"seq":2,"uptime":3,"mark":4,"id":7,"state":"done","order_boot":1,"act":"park"}'
FAULT = '{"boot":1,"seq":2,"uptime":3,"active":[],"faults":1}'
MODES = "'unhomed', 'homing', 'ready', 'working', 'faulted', 'manual'"
BOOT = "(number of this boot of a node; compared for equality only)"
AXES = "(one entry an axis, in the order of the site file)"
FIRMWARE = "(firmware version, as its author counts it)"
LIMIT = "Send an integer from 0 to 65535"

SAID: list[tuple[str, str, str, str, list[tuple[str, ...]]]] = [
    ("crane-status", CRANE, "[[1,2,true]]", "[]",
     [("ENC-05", "axes", f"has 0 entries, where 1 to 3 are allowed {AXES}", "Send 1 to 3 entries")]),
    ("crane-status", CRANE, "[[1,2,true]]", "[[1,2]]",
     [("ENC-05", "axes[0]", "has 2 entries, where 3 are allowed (position, target, homed)", "Send 3 entries")]),
    ("crane-status", CRANE, "[[1,2,true]]", "[[1,2,1]]",
     [("ENC-05", "axes[0][2]", "expected true or false, got 1", "Send true or false")]),
    ("crane-status", CRANE, "[[1,2,true]]", "{}",
     [("ENC-05", "axes", f"expected an array, got a map of 0 {AXES}", "Send an array")]),
    ("crane-status", CRANE, '"held":false', '"held":0',
     [("ENC-05", "held", "expected true or false, got 0 (true: stopped by a hold)", "Send true or false")]),
    ("crane-status", CRANE, '"boot":1', '"boot":-1', [("ENC-05", "boot", f"is -1, below 0 {BOOT}", LIMIT)]),
    ("crane-status", CRANE, '"boot":1', '"boot":65536', [("ENC-05", "boot", f"is 65536, above 65535 {BOOT}", LIMIT)]),
    ("crane-status", CRANE, '"boot":1', '"boot":"x"',
     [("ENC-04", "boot", f"expected an integer, got 'x' {BOOT}", LIMIT)]),
    ("crane-status", CRANE, '"boot":1', '"boot":true',
     [("ENC-04", "boot", f"expected an integer, got true {BOOT}", LIMIT)]),
    ("crane-status", CRANE, '"ready"', "5", [("ENC-05", "mode", f"is 5; allowed: {MODES} (crane mode)",
                                             "JSON carries the word itself; its integer is for CBOR")]),
    ("crane-status", CRANE, '"ready"', '"redy"',
     [("ENC-05", "mode", f"is 'redy'; allowed: {MODES} (crane mode)", "Did you mean 'ready'?")]),
    ("crane-status", CRANE, '"ready"', '"xyz"',
     [("ENC-05", "mode", f"is 'xyz'; allowed: {MODES} (crane mode)", "Send one of these")]),
    ("crane-status", CRANE, '"ready"', "true",
     [("ENC-05", "mode", f"is true; allowed: {MODES} (crane mode)", "Send one of these")]),
    ("crane-status", CRANE, '"load"', '"job":5,"load"',
     [("ENC-06", "job_state", "is missing beside 'job' (how far a job is)", "Add 'job_state'")]),
    ("crane-status", CRANE, '"load"', '"lod":5,"load"',
     [("ENC-06", "lod", "is not a field of crane-status", "Did you mean 'load'?")]),
    ("crane-status", CRANE, '"load"', '"lode"',
     [("ENC-06", "load", "is missing (what the spreader holds)", "Add 'load'"),
      ("ENC-06", "lode", "is not a field of crane-status", "Did you mean 'load'?")]),
    ("crane-status", CRANE, '"load"', '"zz":5,"load"',
     [("ENC-06", "zz", "is not a field of crane-status", "Leave it out; own fields are not allowed")]),
    ("node-status", STATUS, '["crane"]', '["crane","crane"]',
     [("ENC-05", "roles", "has an entry twice (at most one berth and one crane a node)", "Send every entry once")]),
    ("node-status", STATUS, '"1.0"', '"1 0 _"',
     [("ENC-05", "firmware", f"is '1 0 _', in which ' ', '_' is not allowed {FIRMWARE}",
       "Use only A-Z a-z 0-9 '.' '+' and '-'")]),
    ("node-status", STATUS, '"1.0"', '""',
     [("ENC-05", "firmware", f"has 0 characters, where 1 to 12 are allowed {FIRMWARE}", "Send 1 to 12 characters")]),
    ("node-status", STATUS, '"1.0"', '"1234567890123"',
     [("ENC-05", "firmware", f"has 13 characters, where 1 to 12 are allowed {FIRMWARE}", "Send 1 to 12 characters")]),
    ("node-status", STATUS, '"mark":4,"state":"on"', '"state":"off"',
     [("ENC-06", name, "is not allowed in this node-status", "Leave it out here")
      for name in ("seq", "uptime", "roles", "firmware", "minor", "reads", "reset", "bench", "digest", "buffer")]),
    ("fault", FAULT, '"faults"', '"changed":"power-lost","faults"',
     [("ENC-06", "level", "is missing beside 'changed' (level of the changed fault, for as long as that is said)",
       "Add 'level'")]),
    ("job-report", REPORT, '"done"', '"refused"',
     [("ENC-06", "reason", "is missing (why an order was refused, or why a job ended so)", "Add 'reason'")]),
    ("job-order", '{"act":"set-uptime","boot":1,"id":2,"uptime":1}', "1}", "-1}",
     [("ENC-05", "uptime", "is -1, below 0 (the uptime to go on from)", "Send an integer from 0 to 4294967295 ms")]),
]  # fmt: skip


@pytest.mark.parametrize(
    ("message", "text", "old", "new", "said"), SAID, ids=[f"{row[0]} {row[3]}"[:40] for row in SAID]
)
def test_a_mistake_is_told_whole(
    message: str, text: str, old: str, new: str, said: list[tuple[str, ...]]
) -> None:
    assert read_message(message, text.encode(), closed=True).valid
    payload = text.replace(old, new, 1).encode()
    found = read_message(message, payload, closed=True, short=False)
    assert sorted((one.requirement, one.where, one.what, one.fix) for one in found.findings) == sorted(said)
    assert {one.byte for one in found.findings} == {None}
    silent = read_message(message, payload, closed=True, explain=False)
    what = f"does not fit the schema of {message}; not explained, as many before it were"
    ids = {row[0] for row in said}
    assert sorted(silent.findings, key=str) == [
        Finding(id_, what, "", None, UNEXPLAINED) for id_ in sorted(ids)
    ]
    assert (found.body, found.encoding) == (silent.body, silent.encoding)
    tolerant = read_message(message, payload, closed=False)
    assert tolerant.body == found.body == readable_body(message, payload)
    known = {"is not a field of", "is not allowed in this"}
    left = [row for row in said if not any(row[2].startswith(one) for one in known)]
    told = [(one.requirement, one.where, one.what, one.fix) for one in tolerant.findings]
    assert told == left
    assert (tolerant.body is None) is bool(left)


def test_a_field_that_another_word_forbids_is_told_with_its_name() -> None:
    body = {"boot": 1, "seq": 2, "uptime": 3, "mark": 1, "held": False, "holds": 0, "state": "moving", "stop": 1,
            "load": "none", "place": "quay-n"}  # fmt: skip
    payload = json.dumps(body, separators=(",", ":")).encode()
    (found,) = read_message("shuttle-status", payload, closed=True).findings
    assert (found.requirement, found.where, found.what, found.fix) == (
        "ENC-06", "place", "is not allowed in this shuttle-status", "Leave it out here",
    )  # fmt: skip


CBOR: list[tuple[dict[Any, Any], list[tuple[str, str, str, int | None, str]]]] = [
    ({2: 0, 16: 1, 23: 0}, [("ENC-06", "key 23", "is not a field of job-order ask", 6,
                             "Leave it out; keys of one's own are not allowed")]),
    ({2: 1}, [("ENC-06", "boot", "is missing (the boot of the node that the order is meant for)", None,
               "Add key 0 (boot)"), ("ENC-06", "id", "is missing (number of one order)", None, "Add key 1 (id)")]),
    ({2: 0, 16: -1}, [("ENC-05", "token", "is -1, below 0 (32 random bits, never used again)", 4,
                       "Send an integer from 0 to 4294967295")]),
    ({2: 0, 16: "x"}, [("ENC-04", "token", "expected an integer, got 'x' (32 random bits, never used again)", 4,
                        "Send an integer from 0 to 4294967295")]),
    ({2: 0, 16: 1, "token": 1}, [("ENC-06", '"token"', "is not a field of job-order ask", None,
                                  "CBOR carries names as integers: send key 16 (token)")]),
    ({2: 0, 16: 1.0}, [("ENC-04", "token", "is a 64-bit float, which the protocol has not", 4,
                        "Send an integer in the unit of the field")]),
    ({0: 1, 1: 2, 2: 9, 3: 4, 14: [1, 2, 40_000]},
     [("ENC-05", "target[2]", "is 40000, above 32767 (a position on one axis)", 13,
       "Send an integer from -32768 to 32767 (unit: the axis's own, named in the site file)")]),
]  # fmt: skip


@pytest.mark.parametrize(("numbers", "said"), CBOR, ids=[str(row[0]) for row in CBOR])
def test_in_cbor_a_mistake_has_its_byte_and_keys_their_number(
    numbers: dict[Any, Any], said: list[tuple[str, str, str, int | None, str]]
) -> None:
    payload = cbor2.dumps(numbers)
    found = read_message("job-order", payload, closed=True)
    assert [(one.requirement, one.where, one.what, one.byte, one.fix) for one in found.findings] == said
    assert found.encoding is Encoding.CBOR


def test_a_word_that_is_none_here_is_named_with_its_number() -> None:
    """In CBOR the allowed words are told with their integers."""
    numbers = to_numbers("node-status", {"boot": 1, "state": "off", "link": 2})
    assert read_message("node-status", cbor2.dumps(numbers), closed=True).valid
    wrong = numbers | to_numbers("node-status", {"state": 7})
    (told,) = read_message("node-status", cbor2.dumps(wrong), closed=False).findings[:1]
    assert (told.what, told.fix) == ("is 7, which stands for no word", "Send one of: 0 on, 1 off")


def test_what_is_forgiven_is_told_to_a_sender_alone() -> None:
    """ENC-10: white space, key order and longer integers."""
    for payload in (b'{"act": "ask","token":1}', b"\xa2\x10\x01\x02\x00", b"\xa2\x02\x00\x10\x18\x01"):
        for explain in (True, False):
            sent = read_message("job-order", payload, closed=True, explain=explain)
            heard = read_message("job-order", payload, closed=False, explain=explain)
            assert sent.body == heard.body == {"act": "ask", "token": 1}
            assert (len(sent.findings), heard.findings) == (1, ())
            assert (sent.readable, sent.valid, heard.valid) == (True, False, True)
            assert sent.findings[0].requirement == ("ENC-03" if payload[:1] == b"{" else "ENC-02")
    both = read_message("job-order", b'{"act": "ask","token":-1}', closed=False)
    assert [one.requirement for one in both.findings] == ["ENC-05"]
    unsaid = read_message("job-order", b'{"act": "ask","token":-1}', closed=False, explain=False)
    assert [one.fix for one in unsaid.findings] == [UNEXPLAINED]


def test_where_the_codec_found_a_flaw_the_schema_adds_none() -> None:
    for payload in (
        b'{"act":"ask","token":1.5}',
        b'{"act":"ask","token":null}',
        b'{"act":"ask","token":1,"token":2}',
    ):
        assert len(read_message("job-order", payload, closed=True).findings) == 1
    twice = read_message("job-order", b'{"act":"ask","token":1.5,"hue":1}', closed=True)
    assert [one.where for one in twice.findings] == ["token", "hue"]


def test_so_many_mistakes_are_told() -> None:
    """Of a yard-map whose slots are all wrong."""
    assert MOST_FINDINGS == MOST_ERRORS == 25
    example = specification().messages["yard-map"]["examples"][0]
    for slots in (1, 24, 25, 26, 32):
        text = json.dumps(example | {"slots": [-1] * slots}, separators=(",", ":"))
        assert len(read_message("yard-map", text.encode(), closed=True).findings) == min(slots, 25)


# ---------------------------------------------------------------- a publication
ASK, HOLD = b'{"act":"ask","token":1}', b'{"act":"hold"}'
OFF = b'{"boot":1,"link":1,"state":"off"}'
PUBLISHED: list[tuple[str, bytes, bool | None, int | None, list[tuple[str, ...]]]] = [
    ("north/job-order", ASK, False, 1, []),
    ("north/job-order", ASK, None, None, []),
    ("north/job-order", ASK, True, 1,
     [("LNK-13", "retain", "job-order is published with the retain flag set",
       "Publish it with the retain flag clear")]),
    ("north/job-order", ASK, False, 2,
     [("LNK-19", "qos", "job-order is published at QoS 2; allowed is 1", "Publish it at QoS 1")]),
    ("north/node-status", OFF, False, 0,
     [("LNK-12", "retain", "node-status is published with the retain flag clear",
       "Publish it with the retain flag set")]),
    ("north/node-status", OFF, True, 2,
     [("LNK-19", "qos", "node-status is published at QoS 2; allowed is 0 or 1", "Publish it at QoS 0 or 1")]),
    ("all/job-order", HOLD, False, 1, []),
    ("all/job-order", ASK, False, 1,
     [("HLD-06", "topic", "'ask' is sent to every node; only a hold may be",
       "Send it on the topic of the node that is meant")]),
    ("north/job-orders", ASK, False, 1,
     [("ENC-13", "topic", f"level 4 is 'job-orders'; the messages are {', '.join(specification().topics)}",
       "Topics are yw1/SITE/NODE/MESSAGE, spelt exactly")]),
]  # fmt: skip


@pytest.mark.parametrize(
    ("topic", "payload", "retain", "qos", "said"),
    PUBLISHED,
    ids=[f"{row[0]} {row[2]} {row[3]}" for row in PUBLISHED],
)
def test_a_publication_is_judged_with_its_topic_and_flags(
    topic: str, payload: bytes, retain: bool | None, qos: int | None, said: list[tuple[str, ...]]
) -> None:
    found = read_publication(f"yw1/basin/{topic}", payload, retain=retain, qos=qos)
    assert [(one.requirement, one.where, one.what, one.fix) for one in found.findings] == said
    heard = read_publication(f"yw1/basin/{topic}", payload, retain=True, qos=2, closed=False)
    assert {one.requirement for one in heard.findings} <= {"ENC-13"}


def test_what_is_too_long_says_by_how_much() -> None:
    """ENC-07: 121 bytes in CBOR, 384 in JSON."""
    topic = "yw1/basin/north/job-report"
    for text, most in ((REPORT[:-1] + ',"z":"' + "x" * 400 + '"}', 384),):
        found = read_publication(topic, text.encode(), retain=None, qos=None).findings[-1]
        size = len(topic) + len(text)
        what = f"topic plus payload have {size} bytes; in JSON {most} are allowed"
        assert found == Finding(
            "ENC-07", what, "size", None, "Leave optional fields out, or use shorter labels"
        )


# ---------------------------------------------------------------- versions
def test_a_newer_minor_version_may_have_more_fields() -> None:
    assert [is_newer(minor) for minor in (None, 0, specification().minor, specification().minor + 1)] == [
        False, False, False, True,
    ]  # fmt: skip
    findings = [Finding("ENC-06", "x", where) for where in ("", "token", "hue")] + [
        Finding("ENC-05", "x", "hue")
    ]
    assert of_newer_minor("job-order", "ask", findings) == (*findings[:2], findings[3])
    assert of_newer_minor("", None, findings) == (findings[0], findings[3])


# ---------------------------------------------------------------- schemas
def test_a_receivers_schema_takes_more_fields_and_no_other_values() -> None:
    body: dict[str, Any] = {"act": "ask", "token": 1}
    for closed in (True, False):
        assert is_valid("job-order", body, closed=closed)
        assert is_valid("job-order", body | {"hue": 1}, closed=closed) is not closed
        assert not is_valid("job-order", body | {"token": -1}, closed=closed)
        assert not is_valid("job-order", body | {"token": {1, 2}}, closed=closed)
        assert broken_requirements("job-order", body, closed=closed) == ()
        broken = broken_requirements("job-order", body | {"token": "x", "hue": 1}, closed=closed)
        assert set(broken) == ({"ENC-04", "ENC-06"} if closed else {"ENC-04"})
        assert broken_requirements("job-order", body | {"token": {1}}, closed=closed) == ("ENC-05",)
        assert schema_for("fault", closed=closed)["$id"] == "urn:yardwire:v1:fault"
        assert schema_set(closed=closed).keys() == specification().by_urn.keys()
    schema = {
        "additionalProperties": {"type": "integer"},
        "propertyNames": {},
        "a": [{"propertyNames": 1}, 2],
    }
    assert opened(schema) == {
        "additionalProperties": {"type": "integer"}, "a": [{}, 2],
    }  # fmt: skip
    with pytest.raises(KeyError):
        is_valid("job-odrer", body, closed=True)


# ---------------------------------------------------------------- words of findings and topics
def test_a_finding_is_one_line() -> None:
    assert str(Finding("ENC-01", "is odd")) == "ENC-01 is odd"
    assert str(Finding("ENC-01", "is odd", "a", 0, "Mend it")) == "ENC-01 a, byte 0: is odd. Mend it"
    assert str(Finding("ENC-01", "is odd", "", 5)) == "ENC-01 byte 5: is odd"
    assert str(Finding("ENC-01", "is odd", "a")) == "ENC-01 a: is odd"
    assert (Flaw(Finding("ENC-01", "x")).path, Flaw(Finding("ENC-01", "x")).forgiven) == ((), False)
    assert [spell(path) for path in ((), ("a",), ("a", 1, 0), (1, "a", "b"))] == [
        "",
        "a",
        "a[1][0]",
        "key 1.a.b",
    ]
    assert [spell(("x" * size,)) for size in (40, 41)] == ["x" * 40, "x" * 36 + "..."]
    assert spell(("a\x1b",)) == "a\\u001b"


def test_trouble_says_where_and_what_to_do() -> None:
    assert str(Trouble("It broke.")) == "It broke"
    assert str(Trouble("It broke", where="a.toml", fix="Mend it")) == "a.toml: It broke. Mend it"
    assert str(Trouble("Is it on?", fix="Look")) == "Is it on? Look"
    assert str(Trouble("These:", fix="Look")) == "These: Look"
    one = Trouble("What", where="w", fix="f")
    assert (one.what, one.where, one.fix, one.exit_code) == ("What", "w", "f", 2)


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("yw2/a/b/fault", "level 1 is 'yw2'; topics of this version start with 'yw1'"),
        ("yw1/a/b", "3 levels; a topic has 4: yw1/SITE/NODE/MESSAGE"),
        ("yw1", "1 levels; a topic has 4: yw1/SITE/NODE/MESSAGE"),
        ("yw1/a/b/fault/c", "5 levels; a fault topic has 4"),
        ("yw1/a/b/yard-map", "4 levels; a yard-map topic has 5"),
        ("yw1/a/b/yard-map/c/d", "6 levels; a yard-map topic has 5"),
        ("yw1//b/fault", "level 2 has 0 characters; a site has 1 to 12"),
        ("yw1/" + "a" * 13 + "/b/fault", "level 2 has 13 characters; a site has 1 to 12"),
        ("yw1/a/" + "b" * 9 + "/fault", "level 3 has 9 characters; a node has 1 to 8"),
        ("yw1/a//fault", "level 3 has 0 characters; a node has 1 to 8"),
        ("yw1/a/b/yard-map/" + "c" * 9, "level 5 has 9 characters; a place has 1 to 8"),
        ("yw1/a/b_/fault", "level 3 is 'b_'; a node is made of A-Z a-z 0-9 and '-'"),
        ("yw1/a/b/yard-map/\u0661", "level 5 is '\u0661'; a place is made of A-Z a-z 0-9 and '-'"),
        ("yw1/a/all/fault", "level 3 is 'all', which only a job-order may be addressed to"),
    ],
)
def test_what_is_no_topic_says_at_which_level(text: str, told: str) -> None:
    """ENC-13."""
    with pytest.raises(NotATopic) as refused:
        parse_topic(text)
    assert str(refused.value) == told


def test_a_topic_comes_apart_and_together_again() -> None:
    for text, topic in (
        ("yw1/" + "a" * 12 + "/" + "b" * 8 + "/fault", Topic("a" * 12, "b" * 8, "fault", "")),
        ("yw1/a/b/yard-map/" + "c" * 8, Topic("a", "b", "yard-map", "c" * 8)),
        ("yw1/a/all/job-order", Topic("a", "all", "job-order")),
    ):
        assert (parse_topic(text), str(topic)) == (topic, text)


def test_a_reading_is_readable_and_valid_by_what_it_has() -> None:
    one = Finding("ENC-01", "x")
    assert [(r.readable, r.valid) for r in (Reading({}, None), Reading(None, None), Reading({}, None, (one,)))] == [
        (True, True), (False, True), (True, False),
    ]  # fmt: skip
