"""The compiled validator agrees with the one that explains, and the words of findings help."""

from __future__ import annotations

import copy
from typing import Any

import jsonschema_rs
import pytest
from hypothesis import given
from hypothesis import strategies as st
from referencing.exceptions import Unresolvable

from protocol.codec import encode
from protocol.codec.shape import shape_for
from protocol.codec.words import to_numbers, to_words
from protocol.schema_findings import schema_findings, validator_of
from protocol.schemas import is_valid
from protocol.site import Encoding
from protocol.specification import specification
from protocol.validation import read_message, read_publication
from tests.examples import examples
from tests.strategies import Body, messages_and_bodies

NUMBERS = [0, 1, -1, 255, 65535, 65536, -32768, -32769, 2**32 - 1, 2**32, 2**63, 2**64, -(2**63) - 1, 10**30]
TEXTS = ["", "a", "a\n", "\u00e4", "x" * 9, "x" * 13, "x" * 61, "ready", "box", "Box", "\u0661"]
ARRAYS = [[], [[]], [0, 0, True], [1, 1], ["end", True, 1], [["end", True, 1]], ["north", 1, 2]]
ODD = st.sampled_from([*NUMBERS, *TEXTS, *ARRAYS, True, False, {}, {"a": 1}]).map(copy.deepcopy)


@st.composite
def mutants(draw: st.DrawFn) -> tuple[str, Body]:
    """A valid body with one to three fields removed, added, replaced or swapped, at any level."""
    message, body = draw(messages_and_bodies())
    body = copy.deepcopy(body)
    for _ in range(draw(st.integers(1, 3))):
        _mutate(draw, body)
    return message, body


def _mutate(draw: st.DrawFn, body: Body) -> None:
    names = sorted(body)
    what = draw(st.sampled_from(["remove", "add", "replace", "inside", "word"]))
    if what == "add" or not names:
        body[draw(st.sampled_from(["colour", "act", "job", "reading", "place", "token", "state", "why"]))] = (
            draw(ODD)
        )
        return
    name = draw(st.sampled_from(names))
    if what == "remove":
        del body[name]
    elif what == "inside" and isinstance(body[name], list) and body[name]:
        body[name][draw(st.integers(0, len(body[name]) - 1))] = draw(ODD)
    elif what == "word" and isinstance(body[name], str):
        body[name] = draw(st.sampled_from(WORDS))
    else:
        body[name] = draw(ODD)


WORDS = sorted(
    {word for part in specification().common["$defs"].values() for word in part.get("enum", ())}
    | {"on", "off", "at-rest", "at-place", "moving", "lost", "empty", "blocked", "running"}
)


@examples(1000)
@given(mutants())
@pytest.mark.slow
def test_compiled_and_explaining_validators_agree(mutant: tuple[str, Body]) -> None:
    message, body = mutant
    for closed in (True, False):
        explained = list(
            schema_findings(message, shape_for(message, body.get("act")), body, None, closed=closed)
        )
        compiled = is_valid(message, body, closed=closed)
        assert compiled == validator_of(message, closed).is_valid(body) == (not explained)


@examples(300)
@given(mutants())
@pytest.mark.slow
def test_every_refused_body_says_why_in_both_encodings(mutant: tuple[str, Body]) -> None:
    message, body = mutant
    for encoding in Encoding:
        try:
            payload = encode(message, body, encoding)
        except ValueError:
            continue  # CBOR has no number for an unknown name or word.
        reading = read_message(message, payload, closed=True)
        # In CBOR an integer in the place of a word is that word.
        said: Any = to_words(message, to_numbers(message, body))[0] if encoding is Encoding.CBOR else body
        assert reading.valid == is_valid(message, said, closed=True)
        for finding in reading.findings:
            assert finding.requirement in specification().requirements
            assert finding.where or finding.byte is not None
            assert finding.fix


def test_nothing_is_ever_fetched() -> None:
    from protocol import schema_findings as explaining
    from protocol import schemas as compiled

    with pytest.raises(ValueError, match="nothing is fetched"):
        jsonschema_rs.Draft202012Validator({"$ref": "http://127.0.0.1:9/x"}, retriever=compiled._refuse)
    validator = explaining.validator_of("fault", True).evolve(schema={"$ref": "http://127.0.0.1:9/x"})
    with pytest.raises(Exception, match="x") as caught:
        validator.is_valid(1)
    assert isinstance(caught.value.__cause__, Unresolvable)


def json_findings(message: str, text: str) -> dict[str, tuple[str, str, str]]:
    findings = read_message(message, text.encode(), closed=True).findings
    return {finding.where: (finding.requirement, finding.what, finding.fix) for finding in findings}


def test_all_mistakes_are_told_at_once() -> None:
    found = json_findings(
        "job-order",
        '{"act":"transfer","boot":70000,"id":1.5,"deadlin":3,"to":"a b","to_slot":null,"box":"","from":"x"}',
    )
    assert {where: requirement for where, (requirement, *_) in found.items()} == {
        "boot": "ENC-05",
        "id": "ENC-04",
        "deadlin": "ENC-06",
        "deadline": "ENC-06",
        "to": "ENC-05",
        "to_slot": "ENC-04",
        "box": "ENC-05",
        "from_slot": "ENC-06",
    }
    assert found["deadlin"][2] == "Did you mean 'deadline'?"
    assert "latest start" in found["deadline"][1]
    assert found["boot"][2] == "Send an integer from 0 to 65535"
    assert "' ' is not allowed" in found["to"][1]
    assert "beside 'from'" in found["from_slot"][1]


@pytest.mark.parametrize(
    ("message", "text", "where", "fix"),
    [
        ("job-order", '{"act":"transfr"}', "act", "Did you mean 'transfer'?"),
        ("job-order", '{"act":"ask","Token":1}', "Token", "Did you mean 'token'?"),
        ("job-order", '{"act":0,"token":1}', "act", "JSON carries the word itself; its integer is for CBOR"),
        ("job-order", '{"act":"ask","token":1,"zzz":1}', "zzz", "Leave it out; own fields are not allowed"),
        ("job-order", '{"act":"claim","boot":1,"id":0}', "id", "Send an integer from 1 to 4294967295"),
        ("node-status", '{"boot":1,"link":2,"state":"off","seq":3}', "seq", "Leave it out here"),
    ],
)
def test_fixes(message: str, text: str, where: str, fix: str) -> None:
    assert json_findings(message, text)[where][2] == fix


@pytest.mark.parametrize(
    ("payload", "where", "fix"),
    [
        ("a20200 65746f6b656e 01", '"token"', "CBOR carries names as integers: send key 16 (token)"),
        ("a1 02 63 61736b", "act", "Send 0 for 'ask'"),
        ("a1 02 00", "token", "Add key 16 (token)"),
        ("a3 02 00 10 01 17 00", "key 23", "Leave it out; keys of one's own are not allowed"),
    ],
)
def test_fixes_in_cbor_name_keys_and_integers(payload: str, where: str, fix: str) -> None:
    findings = read_message("job-order", bytes.fromhex(payload), closed=True).findings
    assert fix in [finding.fix for finding in findings if finding.where == where]


def test_units_and_meanings_are_told() -> None:
    found = json_findings("job-order", '{"act":"set-uptime","boot":1,"id":2,"uptime":4294967296}')
    assert found["uptime"][1] == "is 4294967296, above 4294967295 (the uptime to go on from)"
    assert found["uptime"][2] == "Send an integer from 0 to 4294967295 ms"


def test_what_a_sender_chose_cannot_write_on_the_terminal() -> None:
    text = '{"act":"ask","token":1,"\\u001b[2Jx":"\\u001b[31m"}'
    for finding in read_message("job-order", text.encode(), closed=True).findings:
        assert "\x1b" not in str(finding)


def publication(topic: str, body: dict[str, Any], **flags: Any) -> set[str]:
    message = topic.split("/")[3]
    payload = encode(message, body, Encoding.JSON)
    flags = {"retain": False, "qos": 1} | flags
    return {finding.requirement for finding in read_publication(topic, payload, **flags).findings}


def test_publications() -> None:
    ask, topic = {"act": "ask", "token": 1}, "yw1/harlow-basin/north/job-order"
    assert publication(topic, ask) == set()
    assert publication(topic, ask, retain=None, qos=None) == set()
    assert publication(topic, ask, retain=True, qos=2) == {"LNK-13", "LNK-19"}
    assert publication(topic, ask, retain=True, qos=0, closed=False) == set()
    assert publication("yw1/harlow-basin/all/job-order", {"act": "hold"}) == set()
    assert publication("yw1/harlow-basin/all/job-order", ask) == {"HLD-06"}
    off = {"boot": 1, "link": 1, "state": "off"}
    assert publication("yw1/harlow-basin/north/node-status", off) == {"LNK-12"}
    assert publication("yw1/harlow-basin/north/node-status", off, retain=True, qos=0) == set()


def test_no_reading_of_what_is_no_topic() -> None:
    reading = read_publication("yw1/a/b/c", b"{}", retain=False, qos=0)
    assert (reading.body, [finding.requirement for finding in reading.findings]) == (None, ["ENC-13"])
