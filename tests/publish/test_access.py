"""The access list, enforced by a real mosquitto."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from conformance.bench.brokers.mosquitto import Mosquitto, find_mosquitto
from conformance.publish.artefacts.access import access_list
from protocol.site_file import scenario
from protocol.specification import specification
from tests.bench.wire import Closed, Wire, publish, subscribe
from tests.bench.wire import client as connected
from tests.needs import needs

pytestmark = needs("mosquitto")
ROOT = "yw1/harlow-basin"
NAMES = ("north", "south", "siding", "ferry", "yard")


class Guarded(Mosquitto):
    """A private mosquitto with an access list."""

    acl = ""

    def _configuration(self) -> list[str]:
        return [*super()._configuration(), f"acl_file {self.acl}"]


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[int]:
    file: Path = tmp_path_factory.mktemp("acl") / "yardwire.acl"
    file.write_text(access_list(specification(), scenario()), encoding="utf-8")
    file.parent.chmod(0o755)
    program = find_mosquitto()
    assert program is not None
    broker = Guarded(program, users={name: f"pw-{name}" for name in NAMES})
    broker.acl = str(file)
    with broker as running:
        yield running.port


def client(port: int, name: str, client_id: str = "") -> Wire:
    return connected(port, client_id or name, login=(name, f"pw-{name}"))


def heard(port: int, speaker: str, topic: str) -> bool:
    """Whether what `speaker` publishes on `topic` reaches the supervisor, who may hear everything.

    The supervisor says something itself once the broker is done with the speaker: what has not come by then
    never will. mosquitto 2.0.11 closes the connection of who publishes where it must not.
    """
    with client(port, "yard", "ear") as subscriber, client(port, speaker, "mouth") as mouth:
        subscriber.send(subscribe(f"{ROOT}/#", 1))
        subscriber.fence()
        mouth.send(publish(topic, b"first"))
        with suppress(Closed, ConnectionError):
            mouth.fence()
        own = f"{ROOT}/yard/fault"
        subscriber.send(publish(own, b"second"))
        found: list[tuple[str, bytes]] = []
        while not found or found[-1] != (own, b"second"):
            message = subscriber.message()
            found.append((message.topic, message.payload))
        return (topic, b"first") in found


def test_node_publishes_its_own_topics(port: int) -> None:
    for topic in ("node-status", "crane-status", "fault", "job-report"):
        assert heard(port, "north", f"{ROOT}/north/{topic}")
    assert heard(port, "siding", f"{ROOT}/siding/train-arrival")
    assert heard(port, "yard", f"{ROOT}/yard/yard-map/siding")


@pytest.mark.parametrize(
    "topic",
    [
        "south/crane-status",  # as another
        "south/node-status",
        "north/train-arrival",  # of a role it has not
        "north/job-order",  # only the supervisor orders
        "south/job-order",
        "all/job-order",
        "yard/yard-map/siding",
    ],
)
def test_node_that_publishes_as_another_is_not_heard(port: int, topic: str) -> None:
    assert not heard(port, "north", f"{ROOT}/{topic}")


def test_supervisor_orders_every_node_and_all(port: int) -> None:
    for name in ("north", "south", "siding", "ferry", "all"):
        assert heard(port, "yard", f"{ROOT}/{name}/job-order")
    assert not heard(port, "yard", f"{ROOT}/north/crane-status")


def test_node_hears_its_own_orders_and_those_to_all_alone(port: int) -> None:
    with client(port, "siding", "ear") as subscriber, client(port, "yard", "mouth") as mouth:
        subscriber.send(subscribe("yw1/#", 1))
        subscriber.fence()
        wanted = [f"{ROOT}/siding/job-order", f"{ROOT}/all/job-order"]
        mouth.send(publish(f"{ROOT}/north/job-order", b"x"), *(publish(topic, b"x") for topic in wanted))
        mouth.fence()
        assert [subscriber.message().topic for _ in wanted] == wanted
