"""A whole run of the suite: the kit's evidence against what tshark captured on the node's side of the tap."""

from __future__ import annotations

import os
from collections import defaultdict
from pathlib import Path
from random import Random

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.bench.processes.spawned_node import spawned_node
from conformance.bench.tap.tap import Tap
from conformance.bench.wire_bench import WireBench
from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from protocol.site_file import load_site, scenario_text
from protocol.wire.evidence import Fate
from protocol.wire.packet import Granted, Kind, Packet, Subscribe
from tests.bench.test_tap_against_tshark import Shown, capture, fields, ours
from tests.needs import needs
from tests.tester.excused import without_excuse

pytestmark = [
    needs("tshark"),
    pytest.mark.skipif(os.geteuid() != 0, reason="NOT TESTED: capturing needs root"),
]
NODE = "ferry"
SLOW = 4.0
Said = tuple[object, ...]


def theirs(shown: Shown) -> Said:
    """As tshark shows it; a node subscribes to more than one topic at once."""
    kind = Kind(int(shown["mqtt_mqtt_msgtype"]))
    if kind is Kind.SUBSCRIBE:
        return kind, _several(shown["mqtt_mqtt_topic"]), _several(shown["mqtt_mqtt_sub_qos"])
    if kind is Kind.SUBACK:
        return kind, _several(shown["mqtt_mqtt_suback_qos"])
    return fields(shown)


def kept(packet: Packet) -> Said:
    """The same of the kit's evidence."""
    if isinstance(packet, Subscribe):
        filters = tuple(one.filter for one in packet.subscriptions)
        return packet.kind, filters, tuple(str(one.qos) for one in packet.subscriptions)
    if isinstance(packet, Granted) and packet.kind is Kind.SUBACK:
        return packet.kind, tuple(map(str, packet.codes))
    return ours(packet)


def _several(value: object) -> tuple[str, ...]:
    return tuple(map(str, value)) if isinstance(value, list) else (str(value),)


def by_stream(packets: list[tuple[object, bool, Said]]) -> list[list[Said]]:
    """What was said on each connection each way, connections in the order of their first packet."""
    streams: dict[tuple[object, bool], list[Said]] = defaultdict(list)
    for connection, from_node, said in packets:
        streams[connection, from_node].append(said)
    # The two ways of a connection begin in any order in a capture.
    connections = list(dict.fromkeys(connection for connection, _, _ in packets))
    return [streams[connection, way] for connection in connections for way in (True, False)]


def test_message_for_message_the_same(tmp_path: Path) -> None:
    site_path = tmp_path / "site.toml"
    site_path.write_text(scenario_text())
    with (
        start_broker("embedded") as broker,
        Tap(broker.host, broker.port) as tap,
        capture(tap.port) as capturing,
    ):
        with (
            spawned_node(tap, site_path, NODE) as restart,
            WireBench(tap, broker.address, restart) as bench,
        ):
            run = Run(Fixture(bench, load_site(site_path), NODE, Random(3), SLOW), Selection(motion=False))
            run.perform()
        # What the node took no more, because a case had cut the connection, was never on its side of the tap.
        evidence = [one for one in tap.evidence if one.from_node or one.fate is not Fate.DROPPED]
        shown = capturing.messages(len(evidence), until_disconnect=False)
    assert without_excuse(run.results) == {}
    assert sum(result.verdict is Verdict.PASS for result in run.results.values()) >= 60
    assert len(evidence) > 500
    captured = by_stream(
        [
            (source if source != tap.port else target, source != tap.port, theirs(message))
            for source, target, message in shown
        ]
    )
    assert captured == by_stream([(one.connection, one.from_node, kept(one.packet)) for one in evidence])
