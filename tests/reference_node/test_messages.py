"""The link and what a node says of itself: first words, will, counts, heartbeats, rubbish, faults."""

from __future__ import annotations

import json
import random
from itertools import pairwise

import cbor2
import pytest
from amqtt.mqtt.publish import PublishPacket

from protocol.participant import Delivery
from protocol.site import Encoding
from protocol.site_file import scenario
from protocol.specification import specification
from reference_node.controller.controller import Controller
from reference_node.controller.inbox import packet_size
from reference_node.machines.node_machines import Machines
from reference_node.machines.world import World
from tests.reference_node.yard import BOOT, Yard, answers, homed_crane, with_node

ALL = ("north", "south", "siding", "ferry")


@pytest.mark.parametrize("node", ALL)
def test_the_first_word_is_on_and_the_will_is_off(node: str) -> None:
    """LNK-04, LNK-08, LNK-09, LNK-16."""
    yard = Yard(node)
    assert yard.said[0].message == "node-status"
    assert (yard.said[0].body["state"], yard.said[0].body["link"]) == ("on", 1)
    controller = yard.nodes[node]
    will = controller.will()
    assert will is not None
    assert will.retain
    decode = cbor2.loads if yard.site.nodes[node].writes is Encoding.CBOR else json.loads
    assert list(decode(will.payload).values()) in ([BOOT, 1, 2], [BOOT, "off", 2])
    parting = controller.parting(yard.now_ms)[0]
    assert list(decode(parting.payload).values()) in ([BOOT, 1, 1], [BOOT, "off", 1])


@pytest.mark.parametrize("node", ALL)
def test_seq_and_uptime_go_on_through_a_lost_connection(node: str) -> None:
    """MSG-07, MSG-08, SAF-04: what nobody could hear is not counted."""
    yard = Yard(node)
    yard.run(3_000)
    yard.nodes[node].disconnected(yard.now_ms)
    yard.run(5_000)
    yard._hear(node, yard.nodes[node].connected(yard.now_ms))
    yard.run(3_000)
    for message in yard.nodes[node].state_messages():
        said = [one.body for one in yard.said if one.message == message]
        assert [body["seq"] for body in said] == list(range(len(said)))
        assert sorted(body["uptime"] for body in said) == [body["uptime"] for body in said]


@pytest.mark.parametrize("node", ALL)
@pytest.mark.parametrize("start_uptime", [0, 2**32 - 5_000])
def test_state_is_repeated_in_time_also_over_the_wrap(node: str, start_uptime: int) -> None:
    """MSG-02, MSG-03, MSG-09."""
    yard = Yard(node, bench=True)
    yard.order(node, "set-uptime", uptime=start_uptime)
    yard.run(40_000)
    timing = specification().timing
    for message in yard.nodes[node].state_messages():
        most = timing["status_repeat" if message == "node-status" else "state_repeat"].most
        assert most is not None
        times = [one.at_ms for one in yard.said if one.message == message]
        assert max(after - before for before, after in pairwise(times)) <= most


def test_set_uptime_changes_nothing_but_the_uptime() -> None:
    """BEN-04."""
    yard = Yard("north", bench=True)
    yard.run(500)
    before = yard.state("north", "crane-status")
    yard.order("north", "set-uptime", uptime=4_000_000_000)
    yard.run(3_000)
    after = yard.state("north", "crane-status")
    assert after["uptime"] >= 4_000_000_000
    told = ("boot", "mode", "axes", "load", "held", "holds")
    assert [after[name] for name in told] == [before[name] for name in told]


def test_a_retained_order_is_none() -> None:
    """LNK-14."""
    yard = homed_crane()
    before = yard.nodes["north"].mark
    said = yard.send("north", {"act": "claim", "boot": BOOT, "id": 99}, retain=True)
    assert said == []
    assert yard.nodes["north"].mark == before


@pytest.mark.parametrize("length", [0, 1, 80, 84, 85, 200, 16_300, 16_400])
@pytest.mark.parametrize("qos", [0, 1])
def test_a_packet_over_the_buffer_is_dropped_without_a_word(length: int, qos: int) -> None:
    """The size is that of MQTT 3.1.1 sections 2.2.3 and 3.3, as amqtt builds the packet."""
    yard = Yard("siding")  # a buffer of 128
    topic = f"yw1/{yard.site.name}/siding/job-order"
    delivery = Delivery(topic, b"x" * length, qos=qos)
    built = PublishPacket.build(topic, delivery.payload, 7 if qos else None, False, qos, False).to_bytes()
    assert packet_size(delivery) == len(built)
    yard._hear("siding", yard.nodes["siding"].receive(delivery, 0))
    rubbish_seen = "bad-message" in yard.state("siding", "fault")["active"]
    assert rubbish_seen == (len(built) <= 128)


def test_an_encoding_that_it_does_not_read_is_rubbish() -> None:
    """ENC-08, ENC-10."""
    yard = Yard("siding")
    assert yard.site.nodes["siding"].reads == "cbor"
    yard.deliver("siding", b'{"act":"ask","token":1}')
    assert yard.reports("siding") == []
    assert yard.state("siding", "fault")["active"] == ["bad-message"]
    assert yard.state("siding", "fault")["faults"] == 0, "FLT-03"


def test_a_flood_of_rubbish_is_one_fault_a_second_and_stops_no_work() -> None:
    """ENC-11, FLT-03."""
    yard = homed_crane()
    yard.order("north", "jog", target=[400, 0, 0])
    before = len(yard.said)
    begun_ms = yard.now_ms
    for _ in range(300):
        yard.deliver("north", b"\xff")
        yard.run(10)
    faults = [one.at_ms for one in yard.said[before:] if one.message == "fault"]
    gap = specification().timing["bad_message_gap"].least
    assert gap is not None
    assert all(after - earlier >= gap for earlier, after in pairwise(faults))
    assert faults[0] == begun_ms
    job = yard.nodes["north"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert job.state == "done"


def test_a_reset_fault_of_yesterday_clears_nothing() -> None:
    """FLT-04, FLT-01."""
    yard = homed_crane()
    yard.machines["north"].cut_power()
    yard.run(10)
    assert yard.state("north", "fault")["faults"] == 1
    yard.machines["north"].restore_power()
    yard.run(10)
    assert answers(yard.order("north", "reset-fault", faults=0))[0][3] == "fault-count"
    assert yard.state("north", "fault")["active"] == ["power-lost"]
    yard.order("north", "reset-fault", faults=1)
    fault = yard.state("north", "fault")
    assert (fault["active"], fault["faults"], fault["changed"]) == ([], 1, "power-lost")


@pytest.mark.parametrize(
    ("node", "finding"),
    [
        ("siding", {"found": "box"}),
        ("siding", {"found": "none", "place": "quay-n"}),
        ("ferry", {"place": "siding"}),
        ("north", {"place": "quay-n"}),
    ],
)
def test_a_finding_that_cannot_be_true_is_refused(node: str, finding: dict[str, str]) -> None:
    yard = Yard(node)
    assert answers(yard.order(node, "reset-fault", faults=0, **finding))[0][3] == "nothing-found"


def test_a_node_in_service_takes_no_stimulus() -> None:
    """BEN-01, BEN-03."""
    yard = homed_crane()
    for act, fields in (("stimulus", {"inputs": [["load", True, 0]]}), ("set-uptime", {"uptime": 5})):
        assert answers(yard.order("north", act, **fields))[0][3] == "not-bench"
    yard.run(100)
    assert yard.state("north", "crane-status")["load"] == "none"
    assert "starts" not in yard.state("north", "node-status")


def test_a_bench_node_counts_its_starts() -> None:
    """BEN-03."""
    yard = Yard("north", bench=True)
    assert yard.state("north", "node-status")["starts"] == 0
    yard.order("north", "home")
    yard.run(200)
    assert yard.state("north", "node-status")["starts"] == 1


def test_a_lost_boot_counter_is_a_fault() -> None:
    """MSG-06."""
    yard = Yard("north")
    yard.start("north", 60_000, boot_lost=True)
    assert yard.state("north", "fault")["active"] == ["boot-lost"]


def test_a_node_of_several_roles_has_one_job_and_speaks_for_all() -> None:
    """ORD-12; one boot, one mark, one fault register for a crane and a shuttle on one board."""
    site = scenario()
    both = with_node(site, "ferry", roles=("shuttle", "crane"), crane=site.nodes["north"].crane)
    yard = Yard("ferry", site=both)
    assert yard.nodes["ferry"].state_messages() == ["node-status", "shuttle-status", "crane-status", "fault"]
    yard.order("ferry", "home")
    yard.order("ferry", "reset-fault", faults=0, place="quay-n")
    assert answers(yard.order("ferry", "run", to="quay-s"))[0][3] == "busy"
    job = yard.nodes["ferry"].job
    assert job is not None
    assert yard.until(lambda: not job.is_open)
    assert yard.job("ferry", "run", to="quay-s")["state"] == "done"
    assert yard.state("ferry", "crane-status")["job"] == yard.state("ferry", "shuttle-status")["job"]


def test_nothing_is_said_before_the_first_connection() -> None:
    """LNK-08: the first message of a connection is node-status, whatever happened before it."""
    site = scenario()
    rng = random.Random(1)
    machines = Machines(site.nodes["north"], World(site), rng)
    node = Controller(site, "north", boot=1, bench=False, machines=machines, rng=rng, boot_lost=True)
    assert node.tick(5_000) == []
    assert node.connected(6_000)[0].topic.endswith("node-status")


def test_what_begins_as_the_connection_is_lost_is_not_said_before_node_status() -> None:
    """LNK-08, SAF-04: an accepted job starts with the loss; nothing said of it is kept for the next connection."""
    yard = Yard("south")
    yard.order("south", "home")
    node = yard.nodes["south"]
    job = node.job
    assert job is not None
    assert job.state == "accepted"
    node.disconnected(yard.now_ms + 1)
    assert job.state == "running"
    assert node.tick(yard.now_ms + 2) == []
    assert node.connected(yard.now_ms + 3)[0].topic.endswith("node-status")
