"""Nodes in C keep to the exchanges: the core of the firmware in each role, and a shuttle written for itself."""

from __future__ import annotations

import ctypes
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.fixture import Fixture
from protocol.codec import encode
from protocol.site import Encoding, Site
from protocol.site_file import read_site, scenario_text
from protocol.specification import specification
from protocol.validation import read_message
from tests.exchanges.make import BOOT, NODES
from tests.exchanges.playing import files, over, play, played
from tests.faulty_nodes.c.board import PATIENCE_MS, Board, build, on_the_bench
from tests.firmware.board import site
from tests.firmware.participant import CoreNode, library
from tests.needs import needs, needs_header

pytestmark = needs("gcc")
SAMPLE = 9
KEPT = 4
"""How many are played on the wire, in real time."""


def by_the_core(
    core: ctypes.CDLL,
    document: Mapping[str, Any],
    exchange: Mapping[str, Any],
    encoding: Encoding = Encoding.CBOR,
) -> str:
    """What the core in C differs in, from a start of its own; '' where it does not."""
    name = document["node"]["name"]
    where = site() if encoding is Encoding.CBOR else in_json()

    def make(_boot: int, now_ms: int) -> CoreNode:
        return CoreNode(core, where, name, boot=document["boot"], now_ms=now_ms)

    return play(over(make, where, name), exchange, encoding)


@cache
def in_json() -> Site:
    """harlow-basin with nodes that read and write JSON alone."""
    text = scenario_text()
    for old in ("cbor", "both"):
        text = text.replace(f'reads = "{old}"', 'reads = "json"').replace(
            f'writes = "{old}"', 'writes = "json"'
        )
    return read_site(text.replace("buffer = 128", "buffer = 512").encode(), "harlow-basin in JSON")


def differences(
    folder: Path, role: str, exchanges: slice, encoding: Encoding = Encoding.CBOR
) -> dict[str, str]:
    document = files()[role]
    core = (
        library(folder, NODES[role])
        if encoding is Encoding.CBOR
        else library(folder, NODES[role], of=in_json(), flags=("-DYW_JSON",))
    )
    found = {
        one["name"]: by_the_core(core, document, one, encoding) for one in document["exchanges"][exchanges]
    }
    return {name: told for name, told in found.items() if told}


@pytest.mark.parametrize("role", NODES)
def test_the_core_in_c_keeps_to_a_sample(role: str, tmp_path: Path) -> None:
    assert differences(tmp_path, role, slice(0, None, SAMPLE)) == {}


@pytest.mark.parametrize("role", NODES)
def test_the_core_in_c_keeps_to_a_sample_in_json(role: str, tmp_path: Path) -> None:
    """Others than those in CBOR."""
    assert differences(tmp_path, role, slice(4, None, 3 * SAMPLE), Encoding.JSON) == {}


@pytest.mark.exhaustive
@pytest.mark.parametrize("encoding", Encoding)
@pytest.mark.parametrize("role", NODES)
def test_the_core_in_c_keeps_to_all_of_them(role: str, encoding: Encoding, tmp_path: Path) -> None:
    assert differences(tmp_path, role, slice(None), encoding) == {}


# ---- the shuttle that was written for itself: of minor version 0, in service, and its runs end by themselves


def of_the_first_version(exchange: Mapping[str, Any]) -> Mapping[str, Any] | None:
    """The exchange as far as it binds that one: None where it needs the bench or an open job that stays open."""
    steps = []
    known = specification().at(0).requirements
    for number, step in enumerate(exchange["steps"], 1):
        running = "running" in step.get("state", {}).get("job_state", ())
        if '"act":"stimulus"' in step["json"] or (running and number < len(exchange["steps"])):
            return None
        if step["requirement"] not in known:
            return None
        steps.append({key: value for key, value in step.items() if key != "state"} if running else step)
    return {"name": exchange["name"], "steps": steps}


def for_this_boot(fixture: Fixture, step: Mapping[str, Any]) -> bytes:
    """The payload of a step with the boot that the board has, as it draws its own."""
    raw = bytes.fromhex(step["cbor"])
    body = read_message("job-order", raw, closed=True).body
    if body is None or "boot" not in body:
        return raw
    boot = fixture.boot if body["boot"] == BOOT else (fixture.boot + 1) % 65536
    return encode("job-order", {**body, "boot": boot}, Encoding.CBOR)


def difference(board: Board, fixture: Fixture, exchange: Mapping[str, Any]) -> str:
    before = fixture.boot
    board.cycle()
    assert fixture.bench.wait(
        lambda: fixture.boot != before and fixture.log.hears(fixture.topic()), PATIENCE_MS
    )
    return played(fixture, exchange, lambda step: for_this_boot(fixture, step))


@needs_header("mosquitto.h", "libmosquitto-dev")
@pytest.mark.parametrize("kept", [KEPT, pytest.param(None, marks=pytest.mark.exhaustive)])
def test_a_shuttle_in_c_that_was_written_for_itself_keeps_to_what_binds_it(
    kept: int | None, tmp_path: Path
) -> None:
    binding = [one for each in files()["shuttle"]["exchanges"] if (one := of_the_first_version(each))]
    assert len(binding) > KEPT
    program = build(tmp_path, None)
    with start_broker("auto") as broker, on_the_bench(program, broker) as (board, _, fixture):
        found = {one["name"]: difference(board, fixture, one) for one in binding[-kept if kept else 0 :]}
    assert {name: told for name, told in found.items() if told} == {}
