"""Every command that joins a bus gets into a broker with a private CA, client certificates and passwords.

What it does there is seen by another client. The password is in a file, and in no output.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.request import urlopen

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.bench.brokers.mosquitto import ServerTls
from conformance.bench.connection.address import Address
from conformance.bench.connection.login import without_login
from conformance.bench.connection.tls_files import TlsFiles
from conformance.commands.demo.exchanges import recorded_cycle
from conformance.commands.supervise.yard import WireYard
from conformance.recordings.validate.live import Listener
from protocol.recording import Header, RecordingWriter
from protocol.site_file import scenario, scenario_text
from protocol.validation import read_message
from reference_node.scenario.scenario_file import load_scenario
from tests.certificates import Authority
from tests.commands.yardwire import YARDWIRE
from tests.needs import needs
from tests.serial.cable import Cable
from tests.serial.test_on_a_cable import board, running

pytestmark = [needs("mosquitto"), needs("openssl")]
PATIENCE_S = 50
SECRET = "hunter2-and-more"


@dataclass(frozen=True, slots=True)
class Bus:
    """The broker, as the kit's own clients reach it, and a folder with a site file and a recording."""

    folder: Path
    address: Address

    @property
    def way_in(self) -> dict[str, str]:
        tls = self.address.tls
        assert tls is not None
        return {
            "broker": self.address.name, "ca": str(tls.ca), "cert": str(tls.certificate), "key": str(tls.key),
            "user": "bench", "password-file": str(self.folder / "password"),
        }  # fmt: skip

    def words(self, prefix: str = "--") -> list[str]:
        return [word for name, value in self.way_in.items() for word in (prefix + name, value)]

    @contextmanager
    def start(self, *arguments: str) -> Iterator[subprocess.Popen[str]]:
        with subprocess.Popen(
            [sys.executable, "-c", YARDWIRE, *arguments, *self.words()],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=self.folder,
            env={**without_login(os.environ), "PYTHONUNBUFFERED": "1"}, start_new_session=True,
        ) as process:  # fmt: skip
            try:
                yield process
            finally:
                if process.poll() is None:
                    process.kill()

    def run(self, *arguments: str) -> str:
        """What a command that has to end with 0 has said."""
        with self.start(*arguments) as process:
            out, err = process.communicate("", timeout=PATIENCE_S)
            assert process.returncode == 0, out + err
            assert SECRET not in out + err
            return out

    @contextmanager
    def heard(self) -> Iterator[Listener]:
        """Another client, who hears everything."""
        subscriber = Listener("+")
        with self.address.client(subscriber):
            yield subscriber


@pytest.fixture(scope="module")
def bus(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Bus]:
    folder = tmp_path_factory.mktemp("bus")
    authority = Authority(folder)
    shown, ours = authority.issue("broker", "IP:127.0.0.1"), authority.issue("bench")
    (folder / "site.toml").write_text(scenario_text())
    (folder / "password").write_text(SECRET)
    (folder / "password").chmod(0o600)
    with (folder / "run.ywrec").open("wb", buffering=0) as file:
        items = recorded_cycle(scenario())
        writer = RecordingWriter(file, Header("harlow-basin", "2026-01-01T00:00:00Z", "virtual time", "test"))
        for item in items:
            writer.message(item)
        writer.end(items[-1].at_us)
    tls = ServerTls(authority.ca, shown.certificate, shown.key, client_certificates=True)
    with start_broker("mosquitto", users={"bench": SECRET}, server_tls=tls) as broker:
        files = TlsFiles(authority.ca, ours.certificate, ours.key)
        yield Bus(folder, replace(broker.address, tls=files))


def until(subscriber: Listener, topic: str) -> None:
    """Wait until something on that topic has been heard."""
    end = time.monotonic() + PATIENCE_S
    while not subscriber.heard.get(timeout=max(0.01, end - time.monotonic())).topic.endswith(topic):
        pass


def test_node_record_validate_and_watch(bus: Bus) -> None:
    with bus.heard() as subscriber, bus.start("node", "north", "--yes") as node:
        until(subscriber, "north/crane-status")
        bus.run("record", "heard.ywrec", "--site", "harlow-basin", "--messages", "3")
        bus.run("validate", "--site", "harlow-basin", "--seconds", "2.5")
        with bus.start("watch") as watch:
            assert watch.stdout is not None
            url = watch.stdout.readline().split(" live: ")[1].strip()
            with urlopen(url + "stream", timeout=PATIENCE_S) as stream:
                while b"north" not in stream.readline():
                    pass
            watch.send_signal(signal.SIGINT)
            watch.communicate(timeout=PATIENCE_S)
        node.send_signal(signal.SIGINT)
        node.communicate(timeout=PATIENCE_S)
    assert SECRET.encode() not in (bus.folder / "heard.ywrec").read_bytes()


def test_replay(bus: Bus) -> None:
    with bus.heard() as subscriber:
        bus.run("replay", "run.ywrec", "--node", "siding", "--fast", "--yes")
        until(subscriber, "siding/job-report")


@pytest.mark.parametrize(
    "command",
    [
        ["conform", "north", "--site", "site.toml", "--spawn", "--yes", "--only", "link-says-on"],
        ["conform", "yard", "--site", "site.toml", "--spawn", "--yes", "--only", "supervisor-asks"],
        ["fuzz", "north", "--site", "site.toml", "--spawn", "--yes", "--cases", "1"],
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_what_judges_through_a_tap(bus: Bus, command: list[str]) -> None:
    """The tap speaks TLS on the broker's side; the node that is started speaks none, and logs in."""
    with bus.heard() as subscriber:
        bus.run(*command)
        until(subscriber, f"{command[1]}/node-status")


def test_supervise(bus: Bus) -> None:
    with bus.heard() as subscriber, bus.start("supervise", "--yard", "real", "--yes") as process:
        until(subscriber, "yard/node-status")
        process.communicate("quit\n", timeout=PATIENCE_S)
        assert process.returncode is not None


def test_measure_collect(bus: Bus) -> None:
    with bus.heard() as subscriber, bus.start("measure", "collect", "pairs.csv", "--yes") as process:
        # The broker may have kept a word of another supervisor: what this one says shows that it is there.
        assert process.stdout is not None
        assert "Claiming every node" in process.stdout.readline()
        until(subscriber, "yard/node-status")
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 130


def test_link(bus: Bus) -> None:
    """A board on a serial line gets onto the bus by the login that was given for all, and by that of its own."""
    logins = bus.folder / "logins.toml"
    logins.write_text(f'[siding]\nuser = "bench"\npassword = "{SECRET}"\n')
    logins.chmod(0o600)
    text = re.sub(r"^(reads|writes) = .*$", r'\1 = "cbor"', scenario_text(), flags=re.MULTILINE)
    (bus.folder / "cbor.toml").write_text(text)
    for boot, more in enumerate(([], ["--logins", "logins.toml"]), 40_001):
        with (
            bus.heard() as subscriber,
            Cable() as cable,
            running(board(cable, "siding", boot)),
            bus.start("link", "--site", "cbor.toml", cable.host, *more) as gateway,
        ):
            assert gateway.stdout is not None
            while "siding: on the bus" not in (line := gateway.stdout.readline()):
                assert line, gateway.communicate()
            end = time.monotonic() + PATIENCE_S
            body: dict[str, object] = {}
            while (body.get("state"), body.get("boot")) != ("on", boot):
                one = subscriber.heard.get(timeout=max(0.01, end - time.monotonic()))
                if one.topic.endswith("siding/node-status"):
                    body = dict(read_message("node-status", one.payload, closed=False).body or {})
            gateway.send_signal(signal.SIGINT)
            out, err = gateway.communicate(timeout=PATIENCE_S)
            assert gateway.returncode == 130, out + err
            assert SECRET not in out + err


def test_a_simulated_yard_whose_network_fails(bus: Bus) -> None:
    """Each of its nodes is behind a tap."""
    story = load_scenario("13-network-gone", scenario())

    class There:
        """The broker of `bus`."""

        address, name, host, port, url = bus.address, bus.address.name, bus.address.host, bus.address.port, ""

    with bus.heard() as subscriber, ExitStack() as stack:
        yard = WireYard(story, scenario(), There(), simulated=True)
        stack.enter_context(yard.running())
        until(subscriber, "yard/node-status")


def test_the_pytest_plugin(bus: Bus) -> None:
    words = [*bus.words("--yardwire-"), "--yardwire-node", "north", "--yardwire-site", "site.toml"]
    run = ["--yardwire-spawn", "--yardwire-may-move", "-k", "link-says-on", "-p", "no:cacheprovider"]
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", *words, *run],
        cwd=bus.folder, capture_output=True, text=True, timeout=PATIENCE_S, env=without_login(os.environ),
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    assert "1 passed" in done.stdout
    assert SECRET not in done.stdout + done.stderr
