"""What stands between a recording and a machine, seen by another client of the broker: what was really published."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path
from time import monotonic, sleep
from typing import Any

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.brokers.mosquitto import Mosquitto, find_mosquitto
from conformance.bench.tap.tap import Tap
from protocol.wire.packet import Publish
from tests.bench.wire import client as wire_client
from tests.bench.wire import subscribe
from tests.needs import needs
from tests.recordings.gate import (
    BOOT,
    HOME,
    Witness,
    at_a_terminal,
    command,
    homes,
    homes_of,
    node,
    order,
    recording,
    replayed,
    replaying,
    retained,
    witness,
)
from tests.recordings.recorder import ROOT, WITHIN_S, publisher

JUNK = [b"1", b"\x01", b"\x80", b"\xf6", b"\x83\x01\x02\x03", b"[1]", b"null", b"\xff"]


@pytest.fixture
def live(broker: Broker) -> Iterator[Witness]:
    with witness(broker) as seen:
        yield seen


@pytest.mark.parametrize("payload", JUNK, ids=ascii)
def test_a_retained_payload_that_is_no_map_does_not_deafen_the_gate(
    broker: Broker, live: Witness, tmp_path: Path, payload: bytes
) -> None:
    retained(broker, "old/crane-status", payload)
    with node(broker, bench=False):
        ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes")
    assert ended.returncode == 2
    assert "may be live and not on the bench: north (in service), old (what it says on" in ended.stderr
    assert live.orders == []


def test_nor_does_it_the_embedded_broker_s(tmp_path: Path) -> None:
    with start_broker("embedded") as broker, witness(broker) as seen, node(broker, bench=False):
        retained(broker, "old/crane-status", b"1")
        ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes")
        assert (ended.returncode, seen.orders) == (2, [])


@pytest.mark.parametrize("topic", ["old/crane-status", "old/node-status", "old/no-such-message"])
def test_what_cannot_be_read_is_somebody(broker: Broker, live: Witness, tmp_path: Path, topic: str) -> None:
    retained(broker, topic, b"1")
    ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes")
    assert ended.returncode == 2
    assert "old (what it says on" in ended.stderr
    assert live.orders == []


@pytest.mark.parametrize("told", [[], ["--in-service"], ["--hands-off"]])
def test_a_node_in_service_is_not_driven_unless_told_twice(
    broker: Broker, live: Witness, tmp_path: Path, told: list[str]
) -> None:
    with node(broker, bench=False):
        ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes", *told)
    assert (ended.returncode, live.orders) == (2, [])
    assert "north (in service)" in ended.stderr


def test_told_twice_it_does(broker: Broker, live: Witness, tmp_path: Path) -> None:
    with node(broker, bench=False):
        ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes", "--in-service", "--hands-off")
    assert ended.returncode == 0, ended.stderr
    assert live.orders == ["home"] * 5


def test_a_word_of_last_year_that_says_bench_is_no_bench(
    broker: Broker, live: Witness, tmp_path: Path
) -> None:
    with node(broker, bench=True) as host:
        pass
    assert not host.is_up
    with node(broker, bench=True) as host:
        host.stop(graceful=False)
    with publisher(broker) as client:
        # Its will says 'off'; put the word before that back, as a broker does that has lost the will.
        kept = [said for _, topic, said in live.heard if topic.endswith("/node-status")]
        client.publish(f"{ROOT}/north/node-status", kept[0], 1, retain=True).wait_for_publish(WITHIN_S)
    ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes")
    assert (ended.returncode, live.orders) == (2, [])
    assert "north (only retained messages" in ended.stderr


# ---------------------------------------------------------------- a yes
@pytest.mark.parametrize(
    "body",
    [
        HOME, {"act": "cancel", "boot": BOOT, "id": 2, "ref": 1}, {"act": "resume", "boot": BOOT, "id": 2, "holds": 1},
        {"act": "reset-fault", "boot": BOOT, "id": 2, "faults": 1}, {"act": "claim", "boot": BOOT, "id": 2},
    ],
    ids=lambda body: body["act"],
)  # fmt: skip
def test_every_order_needs_a_yes_towards_a_bench_node_too(
    broker: Broker, live: Witness, tmp_path: Path, body: dict[str, Any]
) -> None:
    path = recording(tmp_path / "r.ywrec", order(body), order(body, at_ms=5))
    with node(broker, bench=True):
        ended = replayed(path, broker)
        assert ended.returncode == 2
        assert live.orders == []
        assert "there is no terminal to ask on. Add --yes" in ended.stderr
        assert f"north: 2 {body['act']}" in ended.stderr
        assert "CAUTION" in ended.stderr
        assert "no proof that motors are off" in " ".join(ended.stderr.split())


def test_with_yes_they_go_out_and_it_says_what_may_move(
    broker: Broker, live: Witness, tmp_path: Path
) -> None:
    with node(broker, bench=True):
        ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes")
    assert ended.returncode == 0, ended.stderr
    assert live.orders == ["home"] * 5
    assert "north: 5 home" in ended.stderr
    assert "north (on the bench)" in ended.stderr


@pytest.mark.parametrize(("answer", "code", "orders"), [("n", 2, []), ("", 2, []), ("y", 0, ["home"] * 5)])
def test_a_person_is_asked(
    broker: Broker, live: Witness, tmp_path: Path, answer: str, code: int, orders: list[str]
) -> None:
    with node(broker, bench=True):
        ended, said = at_a_terminal(command(homes(tmp_path / "r.ywrec", 10, 5), broker), answer)
    assert (ended, live.orders) == (code, orders), said
    assert "north: 5 home" in said


def test_a_hold_is_never_asked_back(broker: Broker, live: Witness, tmp_path: Path) -> None:
    hold = {"act": "hold"}
    path = recording(tmp_path / "r.ywrec", order(hold), order(hold, "all"))
    with node(broker, bench=False):
        ended = replayed(path, broker)
        assert ended.returncode == 0, ended.stderr
        live.wait_for_orders(2)
        assert (live.orders, live.asks) == (["hold", "hold"], 0), "it was kept back to look around"


def test_an_order_that_cannot_be_read_is_no_hold(broker: Broker, live: Witness, tmp_path: Path) -> None:
    twice = order({"act": "hold"})._replace(payload=b'{"act":"hold","act":"home"}')
    ended = replayed(recording(tmp_path / "r.ywrec", twice), broker)
    assert ended.returncode == 2
    assert "north: 1 orders that are not valid" in ended.stderr
    assert live.orders == []


# ---------------------------------------------------------------- while it goes on
def test_a_node_that_comes_later_stops_it(broker: Broker, live: Witness, tmp_path: Path) -> None:
    with replaying(homes(tmp_path / "r.ywrec"), broker, "--yes") as process, ExitStack() as stack:
        live.wait_for_orders(3)
        stack.enter_context(node(broker, bench=False))
        came = monotonic()
        assert process.wait(WITHIN_S) == 2
        assert process.stderr is not None
        assert "north was not there when the bus was looked at (in service)" in process.stderr.read()
    later = [at for at, topic, _ in live.heard if topic.endswith("/job-order") and at > came + 1.0]
    assert later == []
    assert len(live.orders) < 100


def test_a_node_that_leaves_the_bench_stops_it(broker: Broker, live: Witness, tmp_path: Path) -> None:
    with (
        node(broker, bench=True) as before,
        replaying(homes(tmp_path / "r.ywrec"), broker, "--yes") as process,
    ):
        live.wait_for_orders(3)
        before.stop()
        with node(broker, bench=False):
            assert process.wait(WITHIN_S) == 2
            assert process.stderr is not None
            assert "north has left the bench (in service)" in process.stderr.read()
    assert len(live.orders) < 100


def test_somebody_who_comes_while_a_person_thinks_stops_it(
    broker: Broker, live: Witness, tmp_path: Path
) -> None:
    import os
    import pty

    ours, theirs = pty.openpty()
    words = command(homes(tmp_path / "r.ywrec", 10, 5), broker)
    with subprocess.Popen(words, stdin=theirs, stdout=theirs, stderr=theirs) as process:
        os.close(theirs)
        said = b""
        while b"[y/N]" not in said:
            said += os.read(ours, 4096)
        with node(broker, bench=False):
            sleep(1.0)
            os.write(ours, b"y\n")
            assert process.wait(WITHIN_S) == 2
        os.close(ours)
    assert live.orders == []


def test_a_lost_connection_stops_it_for_good(broker: Broker, live: Witness, tmp_path: Path) -> None:
    with Tap(broker.host, broker.port) as tap:
        url = f"mqtt://{tap.host}:{tap.port}"
        with replaying(homes(tmp_path / "r.ywrec"), url, "--yes") as process:
            live.wait_for_orders(3)
            tap.cut()
            assert process.wait(WITHIN_S) == 2
            assert process.stderr is not None
            assert "the connection was lost" in process.stderr.read()
    said = len(live.orders)
    sleep(1.0)
    assert len(live.orders) == said < 100


# ---------------------------------------------------------------- a gate that is deaf
class Ruled(Mosquitto):
    """A private mosquitto with an access list: what mosquitto denies it grants silently in MQTT 3.1.1."""

    rules = ""

    def _configuration(self) -> list[str]:
        assert self._directory is not None
        file = self._directory / "rules.acl"
        file.write_text(self.rules)
        file.chmod(0o644)
        return [*super()._configuration(), f"acl_file {file}"]


EAR = f"user ear\ntopic readwrite {ROOT}/#\n"


@needs("mosquitto")
@pytest.mark.parametrize(
    ("rights", "told"),
    [
        (f"topic write {ROOT}/#", "does not come back, so it is not known who is there"),
        (
            f"topic read {ROOT}/#",
            "the connection was lost",
        ),  # How mosquitto 2.0.11 answers who may not publish.
    ],
)
def test_a_denied_subscription_is_no_silence(tmp_path: Path, rights: str, told: str) -> None:
    program = find_mosquitto()
    assert program is not None
    broker = Ruled(program, users={"u": "p", "ear": "e"})
    broker.rules = f"{EAR}user u\n{rights}\n"
    path = homes(tmp_path / "r.ywrec", 10, 5)
    with broker, wire_client(broker.port, "ear", login=("ear", "e")) as subscriber:
        subscriber.send(subscribe(f"{ROOT}/#", 1))
        subscriber.fence()
        ended = replayed(path, broker, "--yes", "--in-service", "--hands-off")
        heard = [one.payload for one in subscriber.fence() if isinstance(one, Publish)]
    assert ended.returncode == 2
    assert told in ended.stderr
    assert not {item.payload for item in homes_of(5)} & set(heard)


# ---------------------------------------------------------------- errors of its own
BROKEN = """
import conformance.recordings.replay.presence as presence
def hear(self, delivery):
    raise ZeroDivisionError('planted')
presence.Presence.hear = hear
"""


def test_an_error_where_it_listens_ends_it(broker: Broker, live: Witness, tmp_path: Path) -> None:
    from tests.commands.yardwire import YARDWIRE

    with node(broker, bench=True):
        ended = replayed(homes(tmp_path / "r.ywrec", 10, 5), broker, "--yes", program=BROKEN + YARDWIRE)
    assert ended.returncode == 2
    assert "ZeroDivisionError: planted" in ended.stderr
    assert "Traceback" not in ended.stderr
    assert live.orders == []


def test_a_recording_of_two_sites_is_not_said(broker: Broker, live: Witness, tmp_path: Path) -> None:
    """The gate would listen to the one and move the other."""
    other = order(HOME)._replace(topic="yw1/elsewhere/north/job-order")
    ended = replayed(recording(tmp_path / "r.ywrec", order(HOME), other), broker, "--yes")
    assert ended.returncode == 2
    assert "more than one site: harlow-basin and elsewhere" in ended.stderr
    assert live.orders == []


def test_it_listens_to_the_site_of_the_orders_whatever_the_header_says(
    tmp_path: Path, broker: Broker
) -> None:
    elsewhere = "yw1/elsewhere/north/job-order"
    heard: list[bytes] = []
    with publisher(broker) as client:
        client.on_message = lambda _c, _d, message: heard.append(bytes(message.payload))
        client.subscribe("yw1/elsewhere/#", 1)
        client.publish("yw1/elsewhere/north/node-status", b"1", 1, retain=True).wait_for_publish(WITHIN_S)
        ended = replayed(
            recording(tmp_path / "r.ywrec", order(HOME)._replace(topic=elsewhere)), broker, "--yes"
        )
    assert ended.returncode == 2
    assert order(HOME).payload not in heard


def test_the_gate_looks_at_the_new_name(broker: Broker, live: Witness, tmp_path: Path) -> None:
    """Orders to a node that is nowhere, renamed to one that is in service: that one is asked, and nothing goes out."""
    spare = [one._replace(topic=one.topic.replace("/north/", "/spare/")) for one in homes_of(5)]
    path = recording(tmp_path / "r.ywrec", *spare)
    with node(broker, bench=False):
        ended = replayed(path, broker, "--yes", "--rename", "spare=north")
        assert (ended.returncode, live.orders) == (2, []), ended.stderr
        assert "north (in service)" in ended.stderr
    ended = replayed(path, broker, "--rename", "spare=north")
    assert (ended.returncode, live.orders) == (2, []), "a yes is wanted all the same"
    assert "north: 5 home" in ended.stderr
