"""The core in C built with YW_JSON: what it reads and writes against the kit's own codec, and the suite in JSON.

Outside: Python's json and cbor2.
"""

from __future__ import annotations

import ctypes
import json
from pathlib import Path
from random import Random
from typing import Any

import cbor2
import pytest

from conformance.publish.firmware.json_tables import order_room
from conformance.publish.firmware.order_table import fields
from protocol.codec import encode
from protocol.codec.shape import shape_of
from protocol.site import Encoding, Site
from protocol.site_file import read_site, scenario, scenario_text
from protocol.specification import STATE_OF_ROLE, specification
from protocol.validation import read_message
from tests.firmware.participant import CoreNode, library, virtual_bench
from tests.firmware.test_on_virtual_time import verdicts
from tests.json_texts import MORE_NONSENSE, MORE_SENSE, NONSENSE, SENSE, mutated
from tests.needs import needs
from tests.sample import sampled

pytestmark = needs("gcc")
JSON = ("-DYW_JSON",)
CHECKED = (*JSON, "-fsanitize=undefined", "-fno-sanitize-recover=all")
BOTH, JSON_ALONE, CBOR_ALONE = "ferry", "south", "siding"
"""Nodes of harlow-basin by what they read; the first two write JSON."""
SAID = {"node-status": 0, "fault": 2, "job-report": 3}
OF_ROLE = {"crane": "south", "berth": "siding", "shuttle": "ferry"}
JUDGED = {"south": 95, "north": 95, "ferry": 90}
DAMAGED = 2500
LONGEST = 1024
"""Bytes that the kit looks into; how much a board takes is its buffer."""
ASK = {"act": "ask", "token": 1}


@pytest.fixture(scope="module")
def cores(tmp_path_factory: pytest.TempPathFactory) -> dict[str, ctypes.CDLL]:
    """Each of the three nodes."""
    folder = tmp_path_factory.mktemp("json")
    return {
        name: library(folder / name, name, of=roomy(), flags=CHECKED)
        for name in (BOTH, JSON_ALONE, CBOR_ALONE)
    }


def roomy() -> Site:
    """harlow-basin, with a buffer in which every order of the vectors fits."""
    text = scenario_text()
    for small in ("buffer = 128", "buffer = 384", "buffer = 512"):
        assert small in text
        text = text.replace(small, "buffer = 2000")
    return read_site(text.encode(), "harlow-basin with large buffers")


def reads(core: ctypes.CDLL, payload: bytes) -> bool:
    return bool(core.library_reads(payload, len(payload)))


def in_cbor(core: ctypes.CDLL, payload: bytes) -> bytes:
    """The order that the core makes of one in JSON; b'' where it cannot read it."""
    room = order_room(specification())
    out = (ctypes.c_uint8 * (room + 8))(*([0xEE] * (room + 8)))
    size = core.library_cbor(payload, len(payload), out)
    assert bytes(out[room:]) == b"\xee" * 8
    return bytes(out[:size])


def in_json(core: ctypes.CDLL, message: int, payload: bytes) -> bytes:
    out = (ctypes.c_uint8 * 400)(*([0xEE] * 400))
    size = core.library_json(message, payload, len(payload), out)
    assert bytes(out[size:]) == b"\xee" * (400 - size)
    return bytes(out[:size])


def orders() -> list[dict[str, Any]]:
    return [one for one in specification().vectors("job-order") if one["hex"].startswith("7b")]


def invalid() -> list[bytes]:
    """What is wrong among the vectors, as an order."""
    found = [
        one
        for one in specification().vectors("invalid")
        if one["message"] == "job-order" and "topic" not in one
    ]
    return [bytes.fromhex(one["hex"]) for one in found]


# ------------------------------------------------------------ what it reads


def test_every_order_of_the_vectors_becomes_the_one_that_the_kit_writes(
    cores: dict[str, ctypes.CDLL],
) -> None:
    """Byte for byte where the members stand in the order of their keys."""
    assert len(orders()) > 20
    for one in orders():
        payload = bytes.fromhex(one["hex"])
        wanted = encode("job-order", one["body"], Encoding.CBOR)
        assert cbor2.loads(in_cbor(cores[BOTH], payload)) == cbor2.loads(wanted), one["name"]
        keys = shape_of("job-order", one["body"]["act"]).keys
        in_order = dict(sorted(one["body"].items(), key=lambda item: keys[item[0]]))
        assert in_cbor(cores[BOTH], json.dumps(in_order).encode()) == wanted, one["name"]
        assert reads(cores[BOTH], payload)


def test_members_in_any_order_are_the_same_order(cores: dict[str, ctypes.CDLL]) -> None:
    rng = Random(2)
    for one in orders():
        members = list(one["body"].items())
        rng.shuffle(members)
        made = in_cbor(cores[BOTH], json.dumps(dict(members), indent=1).encode())
        assert cbor2.loads(made) == cbor2.loads(encode("job-order", one["body"], Encoding.CBOR)), one["name"]


def hidden_name(payload: bytes) -> bool:
    """Whether a name may hide in an escape: there the core refuses what the kit forgives [ENC-14]."""
    return b"\\u" in payload


def test_what_cannot_be_an_order_is_none(cores: dict[str, ctypes.CDLL]) -> None:
    assert len(invalid()) > 100
    for payload in invalid():
        if len(payload) <= LONGEST:
            readable = read_message("job-order", payload, closed=False).readable
            assert reads(cores[BOTH], payload) is readable, payload[:100]


@pytest.mark.parametrize(("texts", "is_read"), [(NONSENSE, False), (SENSE, True)], ids=["nonsense", "sense"])
def test_json_is_read_strictly(texts: tuple[str, ...], is_read: bool, cores: dict[str, ctypes.CDLL]) -> None:
    for text in texts:
        assert read_message("job-order", text.encode(), closed=False).readable == is_read, text
        assert reads(cores[BOTH], text.encode()) is is_read, text


@pytest.mark.parametrize(
    ("texts", "is_read"), [(MORE_NONSENSE, False), (MORE_SENSE, True)], ids=["nonsense", "sense"]
)
def test_fields_depth_names_and_ends(
    texts: tuple[str, ...], is_read: bool, cores: dict[str, ctypes.CDLL]
) -> None:
    for text in texts:
        assert read_message("job-order", text.encode(), closed=False).readable == is_read, text
        assert reads(cores[BOTH], text.encode()) is is_read, text


def test_a_name_that_hides_that_it_comes_twice_is_refused(cores: dict[str, ctypes.CDLL]) -> None:
    """ENC-14: needless escapes may be refused, and where names are compared byte by byte they have to be."""
    for text in ('{"act":"ask","token":1,"é":1,"\\u00e9":2}', '{"act":"ask","token":1,"\\u00e9":2}'):
        assert not reads(cores[BOTH], text.encode())
    assert reads(cores[BOTH], '{"act":"ask","token":1,"é":1}'.encode())


def test_of_damaged_orders_it_takes_those_that_the_kit_can_read(cores: dict[str, ctypes.CDLL]) -> None:
    """Of thousands: the same are read, and read alike."""
    rng = Random(6)
    whole = [bytes.fromhex(one["hex"]) for one in orders()] + [one.encode() for one in (*SENSE, *MORE_SENSE)]
    readable = 0
    for _ in range(DAMAGED):
        payload = mutated(rng.choice(whole), rng)
        if not payload.startswith(b"{") or hidden_name(payload):
            continue
        reading = read_message("job-order", payload, closed=False)
        assert reads(cores[BOTH], payload) is reading.readable, payload
        if reading.readable and reading.body is not None:
            readable += 1
            taken = shape_of("job-order", str(reading.body["act"])).keys
            body = {name: value for name, value in reading.body.items() if name in taken}
            made = in_cbor(cores[BOTH], payload)
            assert cbor2.loads(made) == cbor2.loads(encode("job-order", body, Encoding.CBOR)), payload
    assert readable > DAMAGED // 50


def test_an_encoding_that_the_site_file_does_not_say_is_not_read(cores: dict[str, ctypes.CDLL]) -> None:
    ask = {Encoding.JSON: json.dumps(ASK).encode(), Encoding.CBOR: cbor2.dumps({2: 0, 16: 1})}
    for name, wanted in ((BOTH, (True, True)), (JSON_ALONE, (True, False)), (CBOR_ALONE, (False, True))):
        assert (reads(cores[name], ask[Encoding.JSON]), reads(cores[name], ask[Encoding.CBOR])) == wanted
    without = b'{"act":"ask","token":1}'
    assert scenario().nodes[CBOR_ALONE].reads == "cbor"
    assert not reads(cores[CBOR_ALONE], without)


def test_without_the_switch_json_is_not_read(tmp_path: Path) -> None:
    core = library(tmp_path, BOTH)
    assert not reads(core, json.dumps(ASK).encode())
    assert reads(core, cbor2.dumps({2: 0, 16: 1}))


def test_the_room_for_an_order_is_that_of_the_longest() -> None:
    """By another way: what cbor2 needs for each act, numbers of 32 bits and texts as long as they may be."""
    spec = specification()
    most = 0
    for act in spec.acts:
        body: dict[int, Any] = {}
        for one in fields(spec):
            if act in one.acts:
                number: Any = 2**32 - 1
                body[one.key] = {
                    0: number, 1: 255, 2: "x" * one.limit, 3: number, 4: [number] * one.limit,
                    5: [[255, True, number]] * one.limit,
                }[one.kind]  # fmt: skip
        most = max(most, len(cbor2.dumps(body)))
    assert order_room(spec) == most


# ------------------------------------------------------------ what it writes


def said() -> list[tuple[str, str, int]]:
    """Message, the role that says it, and its number in the core."""
    plain = [(message, "shuttle", number) for message, number in SAID.items()]
    return plain + [(message, role, 1) for role, message in STATE_OF_ROLE.items() if role in OF_ROLE]


@pytest.mark.parametrize(("message", "role", "number"), said())
def test_what_it_writes_is_what_the_kit_writes_byte_for_byte(
    message: str, role: str, number: int, cores: dict[str, ctypes.CDLL]
) -> None:
    """Every vector of it, longest and shortest; and Python's own json writes the same."""
    found = specification().vectors(message)
    assert len(found) >= 4
    for one in found:
        payload = encode(message, one["body"], Encoding.CBOR)
        keys = shape_of(message).keys
        body = dict(sorted(one["body"].items(), key=lambda item: keys[item[0]]))
        made = in_json(cores[OF_ROLE[role]], number, payload)
        assert made == encode(message, body, Encoding.JSON), one["name"]
        assert made == json.dumps(body, separators=(",", ":")).encode()


def test_its_will_is_of_its_encoding(cores: dict[str, ctypes.CDLL]) -> None:
    for name, begin in ((JSON_ALONE, b"{"), (CBOR_ALONE, b"\xa3")):
        core = cores[name]
        core.library_at(0)
        core.library_start(65_535, True, 0)
        out = (ctypes.c_uint8 * 48)()
        will = bytes(out[: core.yw_will(out)])
        assert will.startswith(begin)
        assert read_message("node-status", will, closed=True).body == {
            "boot": 65_535,
            "state": "off",
            "link": 1,
        }


# ------------------------------------------------------------ the whole of it


@pytest.mark.parametrize("name", sampled(JUDGED, ["ferry"]))
def test_no_case_speaks_against_it(name: str, tmp_path: Path) -> None:
    """A crane that reads and writes JSON alone, one that reads both, and a shuttle that reads both and writes JSON."""
    bench = virtual_bench(library(tmp_path, name, of=scenario(), flags=JSON), name, of=scenario())
    spoken = verdicts(bench, name, scenario())
    assert int(spoken.pop("passed")) >= JUDGED[name]
    assert spoken == {}


@pytest.mark.parametrize(("name", "in_json"), [("south", True), ("north", False), ("ferry", True)])
def test_it_writes_what_its_site_file_says(name: str, in_json: bool, tmp_path: Path) -> None:
    node = CoreNode(library(tmp_path, name, of=scenario(), flags=JSON), scenario(), name, boot=7, now_ms=0)
    told = node.connected(1)
    assert {one.payload.startswith(b"{") for one in told} == {in_json}
    body = read_message("node-status", told[0].payload, closed=True).body
    assert body is not None
    assert body["reads"] == scenario().nodes[name].reads


def test_files_of_a_board_that_disagree_do_not_link(tmp_path: Path) -> None:
    """The length of a message has other bits there: what was cut would be sent."""
    made = library(tmp_path, BOTH, of=scenario(), flags=JSON)
    assert hasattr(made, "yw_start_with_json")
    assert not hasattr(made, "yw_start")
    plain = library(tmp_path, BOTH)
    assert hasattr(plain, "yw_start")


def test_on_a_cable_it_is_refused_by_the_compiler(tmp_path: Path) -> None:
    with pytest.raises(AssertionError, match="a cable carries CBOR alone"):
        library(tmp_path, BOTH, flags=(*JSON, "-DON_A_LINE"))
