"""The shuttle in C keeps to the exchanges, on the wire and in CBOR; one with a mistake does not."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.suite.fixture import Fixture
from protocol.codec import encode
from protocol.site import Encoding
from protocol.validation import read_message
from tests.exchanges.make import BOOT
from tests.exchanges.playing import files, played
from tests.faulty_nodes.c.board import PATIENCE_MS, Board, build, on_the_bench
from tests.needs import needs, needs_header

pytestmark = [needs("gcc"), needs_header("mosquitto.h", "libmosquitto-dev")]
SAMPLE = 19


def for_this_boot(fixture: Fixture, step: Mapping[str, Any]) -> bytes:
    """The payload of a step with the boot that the board has, as it draws its own."""
    raw = bytes.fromhex(step["cbor"])
    body = read_message("job-order", raw, closed=True).body
    if body is None or "boot" not in body:
        return raw
    boot = fixture.boot if body["boot"] == BOOT else (fixture.boot + 1) % 65536
    return encode("job-order", {**body, "boot": boot}, Encoding.CBOR)


def difference(board: Board, fixture: Fixture, exchange: Mapping[str, Any]) -> str:
    """What it differs in from a start of its own; '' where it does not."""
    before = fixture.boot
    board.cycle()
    assert fixture.bench.wait(lambda: fixture.boot != before and fixture.log.node_hears, PATIENCE_MS)
    return played(fixture, exchange, lambda step: for_this_boot(fixture, step))


@pytest.mark.slow
def test_the_shuttle_in_c_keeps_to_a_sample(tmp_path: Path) -> None:
    exchanges = files()["shuttle"]["exchanges"][::SAMPLE]
    assert len(exchanges) > 5
    program = build(tmp_path, None)
    with start_broker("auto") as broker, on_the_bench(program, broker) as (board, _, fixture):
        found = {one["name"]: difference(board, fixture, one) for one in exchanges}
    assert {name: told for name, told in found.items() if told} == {}


@pytest.mark.exhaustive
def test_the_shuttle_in_c_keeps_to_all_of_them(tmp_path: Path) -> None:
    program = build(tmp_path, None)
    with start_broker("auto") as broker, on_the_bench(program, broker) as (board, _, fixture):
        found = {one["name"]: difference(board, fixture, one) for one in files()["shuttle"]["exchanges"]}
    assert {name: told for name, told in found.items() if told} == {}
