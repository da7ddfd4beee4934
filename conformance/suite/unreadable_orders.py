"""Orders that a node cannot read, as bytes: the kit's own codec would refuse to write most of them."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

import cbor2

from conformance.oracle.link_log import Message
from conformance.suite.fixture import Fixture
from conformance.suite.preamble import reset_faults
from protocol.site import Encoding, NodeSite
from protocol.specification import specification
from protocol.validation import read_message

SAMPLE = 24
"""How many of the published vectors are sent."""
STRANGE_KEY = 99
PACKET_HEAD = 8


def encodings_read(node: NodeSite) -> tuple[Encoding, ...]:
    """The encodings that a node reads."""
    return tuple(Encoding) if node.reads == "both" else (Encoding(node.reads),)


def raises_bad_message(fixture: Fixture, encoding: Encoding, where: str) -> None:
    """Demand that an ask cut short raises 'bad-message', once a reset-fault has ended the one before.

    It may be told with the next heartbeat only, where another was told less than `bad_message_gap` before [ENC-11].
    """
    if "bad-message" in fixture.ask().body("fault").get("active", ()):
        reset_faults(fixture)
    good = fixture.encoded({"act": "ask", "token": fixture.new_token()}, encoding)
    within = fixture.repeat_ms("state_repeat") + fixture.patience_ms
    told = fixture.wait_for(_active, within, fixture.send_raw(good[:-1]))
    expected = f"the fault 'bad-message' for an order in {encoding} that is cut short ({where})"
    fixture.check(told is not None, "ENC-10", expected, "no such fault")


def _active(message: Message) -> bool:
    return message.from_node and message.name == "fault" and "bad-message" in message.body.get("active", ())


def with_strange_field(body: dict[str, Any], encoding: Encoding, value: Any = 1) -> bytes:
    """An order with one field that no schema names; the kit's own codec would refuse to write it."""
    if encoding is Encoding.JSON:
        return json.dumps(body | {"zz-new": value}, separators=(",", ":")).encode()
    properties = specification().acts[body["act"]]["properties"]
    words = specification().words("act")
    keyed = {properties[name]["cborKey"]: one for name, one in body.items()}
    keyed[properties["act"]["cborKey"]] = words.index(body["act"])
    return cbor2.dumps(dict(sorted(keyed.items())) | {STRANGE_KEY: value})


def own_unreadable(fixture: Fixture) -> list[tuple[str, bytes]]:
    """Claims for the boot of now that would raise the mark if they were half obeyed."""
    good = fixture.compose("claim", id=fixture.mark + 5000)
    made: list[tuple[str, bytes]] = []
    wrongs: list[tuple[str, dict[str, Any]]] = [
        ("no id", {key: value for key, value in good.items() if key != "id"}),
        ("boot out of range", good | {"boot": good["boot"] + 65536}),
        ("id out of range", good | {"id": good["id"] + (1 << 32)}),
        ("an id that is a text", good | {"id": "7"}),
        ("an id that is no integer", good | {"id": good["id"] + 0.5}),
    ]
    for encoding in encodings_read(fixture.node):
        for name, body in wrongs:
            made.append((name, _plain(body, encoding)))
    made.append(("unknown act", json.dumps(good | {"act": "dance"}, separators=(",", ":")).encode()))
    return made


SPOILT: dict[str, Any] = {
    "a text": "7",
    "a list": [[[1]]],
    "a negative number": -1,
    "a long text": "x" * 40,
    "true": True,
}


def spoilt_acts(fixture: Fixture) -> list[tuple[str, bytes]]:
    """Every act that the node takes, for the boot of now, each with one thing wrong with it that is drawn at random."""
    spec, made = fixture.spec, []
    room = fixture.node.buffer - len(fixture.topic()) - PACKET_HEAD
    acts = {act for role in fixture.node.roles for act in spec.acts_of(role)} | {"ask", "hold"}
    for act in sorted(acts):
        good = dict(spec.acts[act]["examples"][0])
        now = {"boot": fixture.boot, "id": fixture.mark + 5000, "deadline": fixture.uptime_in(-2000)}
        good |= {key: value for key, value in now.items() if key in good}
        fields = sorted(set(good) - {"act"})
        required = [one for one in spec.acts[act]["required"] if one != "act"]
        encoding = fixture.rng.choice(encodings_read(fixture.node))
        if fields:
            field, what = fixture.rng.choice(fields), fixture.rng.choice(sorted(SPOILT))
            made.append((f"{act} with {what} as {field}", _plain(good | {field: SPOILT[what]}, encoding)))
        if required:
            field = fixture.rng.choice(required)
            made.append(
                (f"{act} without {field}", _plain({k: v for k, v in good.items() if k != field}, encoding))
            )
        made.append((f"{act} nested too deep", with_strange_field(good, encoding, [[[[[[[[0]]]]]]]])))
    unreadable = (one for one in made if not read_message("job-order", one[1], closed=False).readable)
    return [one for one in unreadable if len(one[1]) <= room]


def _plain(body: dict[str, Any], encoding: Encoding) -> bytes:
    """An order as it is, right or wrong, written without the kit's own codec."""
    if encoding is Encoding.JSON:
        return json.dumps(body, separators=(",", ":")).encode()
    return cbor2.dumps(dict(sorted(keyed(body).items())))


def keyed(body: dict[str, Any]) -> dict[int, Any]:
    """An order by the keys of CBOR, its act as the place in the list of words."""
    properties = specification().acts[body["act"]]["properties"]
    words = specification().words("act")
    return {
        properties[name]["cborKey"]: words.index(value) if name == "act" else value
        for name, value in body.items()
    }


def sample_of_vectors(fixture: Fixture) -> list[tuple[str, bytes]]:
    """A random sample of the invalid vectors that even a tolerant receiver cannot read and that fit its
    buffer.
    """
    room = fixture.node.buffer - len(fixture.topic()) - PACKET_HEAD
    fitting = [one for one in _unreadable_vectors() if len(one[1]) <= room]
    return fixture.rng.sample(fitting, min(SAMPLE, len(fitting)))


@cache
def _unreadable_vectors() -> tuple[tuple[str, bytes], ...]:
    vectors = [
        (str(one["name"]), bytes.fromhex(one["hex"]))
        for one in specification().vectors("invalid")
        if one["message"] == "job-order"
    ]
    return tuple(one for one in vectors if not read_message("job-order", one[1], closed=False).readable)
