"""The reference supervisor passes every case: on virtual time, and a selection on real brokers through the tap."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.tap.tap import Tap
from conformance.commands.conform.briefed import briefed_supervisor
from conformance.commands.conform.time_left import length_s
from conformance.suite.brief import Brief, brief_for, read_brief, route_of, with_box_twice
from conformance.suite.cases.supervisor import again
from conformance.suite.supervisor_fixture import SupervisorFixture
from conformance.suite.verdict import Verdict
from conformance.tester.runner import Run, Selection
from conformance.tester.supervisor_bench import reference_program, supervisor_fixture
from protocol.site import Site
from protocol.site_file import scenario, scenario_text
from protocol.trouble import Trouble
from protocol.wire.mqtt import MqttHost, monotonic_ms
from tests.faulty_supervisors.faulty import NAME, judge
from tests.needs import needs

PATIENCE_S = 20
SLOW = 4.0
"""Brokers, nodes and other tests share two cores. Exact limits are judged on virtual time."""
SELECTION = (
    "supervisor-works",
    "supervisor-repeats-running",
    "supervisor-holds-again",
    "supervisor-order-of-things",
    "supervisor-names-arrival",
    "supervisor-deadlines",
    "supervisor-ids",
    "supervisor-sizes",
    "supervisor-messages",
    "supervisor-connect-size",
)


@pytest.mark.slow
def test_the_reference_supervisor_passes_every_case() -> None:
    results = judge()
    mine = {id_: one for id_, one in results.items() if "supervisor" in one.case.roles}
    assert {id_: one.reason for id_, one in mine.items() if one.verdict is not Verdict.PASS} == {}
    assert not any(one.warnings for one in mine.values())
    assert {one.verdict for id_, one in results.items() if id_ not in mine} == {Verdict.NONE}
    acting = [
        result
        for result in results.values()
        if result.case.roles == ("supervisor",) and not result.case.passive
    ]
    took_s = sum(result.took_ms for result in acting) / 1000
    known_s = sum(length_s(result.case, ("supervisor",)) for result in acting)
    # No process is started on virtual time, which takes a second of each case.
    assert took_s + len(acting) == pytest.approx(known_s, rel=0.1)


def test_a_train_that_comes_behind_the_wrap_is_awaited_once_more(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a slow and lossy link it may be later than any time that is long enough on a sound one."""
    monkeypatch.setattr(again, "WRAP_MS", 400)
    results = judge(only=("supervisor-uptime-wraps",))
    result = results["supervisor-uptime-wraps"]
    assert (result.verdict, result.reason) == (Verdict.PASS, "")
    monkeypatch.setattr(again, "LONGER", (1,))
    results = judge(only=("supervisor-uptime-wraps",))
    assert results["supervisor-uptime-wraps"].reason == "the train came behind the wrap"


# ---------------------------------------------------------------- on the wire


@contextmanager
def fixture(
    broker: Broker, site: Site, program: tuple[str, ...] | None, tell: Callable[[str], None]
) -> Iterator[SupervisorFixture]:
    with (
        Tap(broker.host, broker.port) as tap,
        supervisor_fixture(
            tap, broker.address, site, NAME, program=program, tell=tell, seed=1, slow=SLOW
        ) as made,
    ):
        yield made


def untold(text: str) -> None:
    raise AssertionError(text)


@pytest.mark.parametrize("choice", [pytest.param("mosquitto", marks=needs("mosquitto")), "embedded"])
def test_the_reference_supervisor_passes_on_the_wire(choice: str, tmp_path: Path) -> None:
    site_path = tmp_path / "site.toml"
    site_path.write_text(scenario_text())
    program = reference_program(site_path, NAME)
    with start_broker(choice) as broker, fixture(broker, scenario(), program, untold) as made:
        results = Run(made, Selection(only=SELECTION)).perform()
    # On a busy machine a limit may overlap a stall in each of its tries: that, and what rests on it, is inconclusive.
    open_ = {
        id_
        for id_, one in results.items()
        if one.verdict is Verdict.INCONCLUSIVE and "stood still" in one.reason
    }
    left = {id_: one for id_, one in results.items() if one.verdict is not Verdict.PASS and id_ not in open_}
    assert {id_: one.reason for id_, one in left.items() if one.cause not in open_} == {}
    assert set(SELECTION) <= set(results)


class ByHand:
    """A person who restarts the supervisor whenever the kit asks for it, and follows its usual brief."""

    def __init__(self, site: Site) -> None:
        self.site, self.told = site, list[str]()
        self.port = 0
        self._host: MqttHost | None = None

    def hear(self, text: str) -> None:
        self.told.append(text)
        self.stop()
        route = route_of(self.site)
        assert route is not None
        now_ms = monotonic_ms()
        brief = brief_for(self.site, route)
        boot = 100 + len(self.told)
        made = briefed_supervisor(self.site, NAME, brief, boot=boot, rng=Random(boot), started_ms=now_ms)
        self._host = MqttHost(made, "127.0.0.1", self.port)
        self._host.start()

    def stop(self) -> None:
        if self._host is not None:
            self._host.stop(graceful=False)
            self._host = None


def test_a_person_can_start_it_too_and_nothing_of_the_played_nodes_is_left() -> None:
    site = scenario()
    person = ByHand(site)
    with start_broker("embedded") as broker:
        try:
            with fixture(broker, site, None, person.hear) as made:
                person.port = made.yard.tap.port  # type: ignore[attr-defined]  # it is the one of the wire
                results = Run(made, Selection(only=("supervisor-works",))).perform()
        finally:
            person.stop()
        left = retained(broker, f"yw1/{site.name}/#")
    assert {id_: one.verdict for id_, one in results.items()} == {
        "supervisor-asks": Verdict.PASS,
        "supervisor-works": Verdict.PASS,
    }
    assert len(person.told) == 2
    assert "Stop the supervisor 'yard' and restart it" in person.told[0]
    assert "box C-205 from stack-n by way of ferry to siding, slot 0" in person.told[0]
    assert {topic.split("/")[2] for topic in left} == {NAME}


def retained(broker: Broker, pattern: str) -> list[str]:
    """The topics of what a broker has retained: all of it comes before a message that is sent thereafter."""
    topics: list[str] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect(broker.host, broker.port)
    client.loop_start()
    try:
        heard = Fence(client, topics)
        client.subscribe([(pattern, 1), ("fence", 1)])
        heard.wait(client)
    finally:
        client.disconnect()
        client.loop_stop()
    return topics


class Fence:
    """Hears topics until its own message comes back."""

    def __init__(self, client: mqtt.Client, topics: list[str]) -> None:
        from threading import Event

        self._back, self._granted = Event(), Event()
        client.on_subscribe = lambda *_: self._granted.set()

        def hear(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
            if message.topic == "fence":
                self._back.set()
            elif message.payload:
                topics.append(message.topic)

        client.on_message = hear

    def wait(self, client: mqtt.Client) -> None:
        assert self._granted.wait(PATIENCE_S)
        client.publish("fence", b"x", 1)
        assert self._back.wait(PATIENCE_S)


# ---------------------------------------------------------------- briefs


def briefs() -> list[Brief]:
    site = scenario()
    route = route_of(site)
    assert route is not None
    usual = brief_for(site, route)
    return [
        usual,
        with_box_twice(usual, site),
        Brief(route, {}, goal=False, holds=True),
        Brief(route, {}, answers=True),
    ]


@pytest.mark.parametrize("brief", briefs(), ids=["usual", "twice", "holds", "answers"])
def test_a_brief_is_read_as_it_was_written(brief: Brief, tmp_path: Path) -> None:
    path = tmp_path / "brief.json"
    path.write_text(json.dumps(brief.document()))
    assert read_brief(path, scenario()) == brief


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("{", "byte 1: not JSON"),
        ("[]", "not a brief"),
        ('{"contents": {}}', "not a brief"),
        ('{"contents": {"stack-n": []}, "goal": null, "answers": false, "holds": false}', "another site"),
        ('{"contents": {"moon": [""]}, "goal": null, "answers": false, "holds": false}', "another site"),
    ],
)
def test_a_wrong_brief_is_told(text: str, told: str, tmp_path: Path) -> None:
    path = tmp_path / "brief.json"
    path.write_text(text)
    with pytest.raises(Trouble, match=told):
        read_brief(path, scenario())
