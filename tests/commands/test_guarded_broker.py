"""The commands on a broker that asks who is there, as it is published: TLS, passwords, one user one connection."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from urllib.request import urlopen

import pytest

from conformance.bench.brokers.broker import start_broker
from conformance.bench.connection.login import without_login
from conformance.publish.artefacts.access import LISTENERS, access_list
from conformance.publish.artefacts.broker_configuration import broker_configuration
from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedMessage, RecordingReader
from protocol.site_file import scenario, scenario_text
from protocol.specification import specification
from tests.certificates import Authority
from tests.commands.yardwire import YARDWIRE
from tests.needs import needs
from tests.publish.guarded import password_file, running

pytestmark = [needs("mosquitto"), needs("mosquitto_passwd"), needs("openssl")]
PATIENCE_S = 40
USERS = ("north", "south", "siding", "ferry", "yard", *LISTENERS)


@dataclass(frozen=True, slots=True)
class Place:
    """A folder with a site file and one password file a user, and the options that lead to the broker."""

    folder: Path
    url: str
    ca: Path

    def login(self, user: str) -> list[str]:
        """The options, without a password among them."""
        password = str(self.folder / f"{user}.password")
        return ["--broker", self.url, "--ca", str(self.ca), "--user", user, "--password-file", password]

    @contextmanager
    def start(self, *arguments: str, **variables: str) -> Iterator[subprocess.Popen[str]]:
        with subprocess.Popen(
            [sys.executable, "-c", YARDWIRE, *arguments],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=self.folder,
            env={**without_login(os.environ), "PYTHONUNBUFFERED": "1", **variables}, start_new_session=True,
        ) as process:  # fmt: skip
            try:
                yield process
            finally:
                if process.poll() is None:
                    process.kill()

    def run(self, *arguments: str, **variables: str) -> tuple[int, str]:
        """The exit code and all that was said."""
        with self.start(*arguments, **variables) as process:
            out, err = process.communicate("", timeout=PATIENCE_S)
            for user in USERS:
                assert f"secret-of-{user}" not in out + err
            return process.returncode, out + err


def secret(folder: Path, user: str) -> None:
    path = folder / f"{user}.password"
    path.write_text(f"secret-of-{user}\n")
    path.chmod(0o600)


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Place]:
    folder = tmp_path_factory.mktemp("guarded")
    authority = Authority(folder)
    authority.issue("broker", "DNS:localhost")
    (folder / "yardwire.acl").write_text(access_list(specification(), scenario()))
    (folder / "site.toml").write_text(scenario_text())
    password_file(folder / "passwords", {user: f"secret-of-{user}" for user in USERS})
    for user in USERS:
        secret(folder, user)
    with running(broker_configuration(scenario()), folder) as broker:
        yield Place(folder, f"mqtts://localhost:{broker.port}", authority.ca)


@contextmanager
def node(place: Place, name: str) -> Iterator[None]:
    """A reference node that is connected."""
    with place.start("node", name, *place.login(name), "--yes") as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith(f"{name}: ")
        yield
        process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == 130


def test_recorder_and_validator_hear_a_node(place: Place) -> None:
    """By options for the one, by variables for the other."""
    with node(place, "north"):
        path = place.folder / "run.ywrec"
        listening = [*place.login("recorder-1"), "--site", "harlow-basin", "--messages", "6"]
        code, told = place.run("record", str(path), *listening)
        assert code == 0, told
        variables = {
            "YARDWIRE_CA": str(place.ca), "YARDWIRE_USER": "watcher-1", "YARDWIRE_PASSWORD": "secret-of-watcher-1",
        }  # fmt: skip
        code, told = place.run("validate", "--broker", place.url, "--seconds", "3", **variables)
        assert code == 0, told
    with path.open("rb") as file:
        reader = RecordingReader(file)
        heard = [item for item in reader if isinstance(item, RecordedMessage)]
        assert reader.header.source == place.url
    assert {item.topic.split("/")[2] for item in heard} == {"north"}
    assert b"secret-of" not in path.read_bytes()


def test_a_wrong_password_is_told_and_not_shown(place: Place, tmp_path: Path) -> None:
    secret(tmp_path, "guess")
    arguments = ["--broker", place.url, "--ca", str(place.ca), "--user", "recorder-1"]
    guess = ["--password-file", str(tmp_path / "guess.password")]
    for command in (
        ["record", "x.ywrec", "--site", "harlow-basin"],
        ["watch"],
        ["node", "north", "--yes"],
        ["validate"],
    ):
        code, told = place.run(*command, *arguments, *guess)
        assert code == 2, told
        assert "does not authorise us" in told
        assert "secret-of-guess" not in told
        assert "Traceback" not in told


def links_of(place: Place, name: str, seconds: float) -> list[int]:
    """The connection counts that a node says in a while."""
    path = place.folder / f"links-of-{name}-{time.monotonic_ns()}.ywrec"
    listening = [*place.login("recorder-2"), "--site", "harlow-basin", "--seconds", str(seconds)]
    code, told = place.run("record", str(path), *listening)
    assert code == 0, told
    with path.open("rb") as file:
        said = [item for item in RecordingReader(file) if isinstance(item, RecordedMessage)]
    bodies = [
        BulkReader().decode(one.topic, one.payload)
        for one in said
        if one.topic.endswith(f"{name}/node-status")
    ]
    return [body["link"] for body in bodies if body is not None and body.get("state") == "on"]


def test_a_supervisor_with_a_page_has_one_connection(place: Place) -> None:
    """Two would throw each other off for ever, and each time the supervisor claims all nodes again."""
    with (
        node(place, "north"),
        place.start("supervise", *place.login("yard"), "--yard", "real", "--page", "--yes") as process,
    ):
        assert process.stdout is not None
        url = ""
        while "live, with orders: " not in url:
            url = process.stdout.readline()
            assert url
        assert set(links_of(place, "yard", 4.0)) == {1}
        with urlopen(url.partition("orders: ")[2].strip(), timeout=PATIENCE_S) as answer:
            assert b"harlow-basin" in answer.read()
        with urlopen(url.partition("orders: ")[2].strip() + "stream", timeout=PATIENCE_S) as stream:
            seen = b""
            end = time.monotonic() + PATIENCE_S
            while b"north" not in seen and time.monotonic() < end:
                seen += stream.readline()
        assert b"north" in seen
        process.communicate("quit\n", timeout=PATIENCE_S)


@pytest.mark.parametrize(
    "command",
    [
        ["supervise", "01-one-crane", "--yard", "simulated"],
        ["conform", "north", "--site", "site.toml", "--spawn", "--only", "link-says-on"],
        ["conform", "yard", "--site", "site.toml", "--spawn"],
        ["fuzz", "north", "--site", "site.toml", "--spawn", "--cases", "1"],
    ],
    ids=lambda words: " ".join(words[:2]),
)
def test_what_needs_several_connections_is_refused_there(place: Place, command: list[str]) -> None:
    code, told = place.run(*command, *place.login("yard"), "--yes")
    assert code == 2, told
    assert "lets the user 'yard' be connected once at a time" in told
    assert "Leave out --broker" in told


def test_several_nodes_of_one_command_are_refused_there(place: Place) -> None:
    """Each would throw the one before it off the bus, for ever."""
    code, told = place.run("node", "--all", *place.login("north"), "--yes")
    assert code == 2, told
    assert "lets the user 'north' be connected once at a time" in told
    assert "Start each node by itself, with its own user" in told


@pytest.mark.parametrize("names", [["north"], ["--all"]], ids=["one", "all"])
def test_who_is_on_is_not_looked_up_with_the_login_of_a_board(place: Place, names: list[str]) -> None:
    """The broker ties name and login: the look itself would throw the board off."""
    with node(place, "north"):
        code, told = place.run("node", *names, *place.login("north"))
        assert code == 2, told
        assert "whoever has that login is thrown off by the look itself" in " ".join(told.split())
        assert set(links_of(place, "north", 3.0)) == {1}


def test_no_board_is_thrown_off_by_a_look_before_a_yes(place: Place) -> None:
    """A gateway for two boards, and a measurement that looks for another supervisor: both look with their own login."""
    with node(place, "north"):
        code, told = place.run("link", "/dev/no-a", "/dev/no-b", "--site", "site.toml", *place.login("north"))
        assert code == 2, told
        words = " ".join(told.split())
        assert "a broker may let the user 'north' be connected once at a time" in words
        assert "--logins" in words
        code, told = place.run(
            "measure", "collect", "pairs.csv", "--site", "site.toml", *place.login("north")
        )
        assert code == 2, told
        words = " ".join(told.split())
        assert (
            "This logs in as the user 'north'. Who is connected with that login may be thrown off the bus"
            in words
        )
        assert set(links_of(place, "north", 3.0)) == {1}


def test_one_connection_for_each_certificate_is_noticed(place: Place) -> None:
    """Where the name in the certificate is the user, as the published configuration offers it."""
    configuration = broker_configuration(scenario())
    for line in ("require_certificate true", "use_identity_as_username true"):
        assert f"#{line}" in configuration
        configuration = configuration.replace(f"#{line}", line)
    issued = Authority(place.folder / "boards", "boards of harlow-basin").issue("yard")
    (place.folder / "both.crt").write_text(
        place.ca.read_text() + (place.folder / "boards/ca.crt").read_text()
    )
    configuration = configuration.replace(
        "cafile /etc/mosquitto/yardwire/ca.crt", f"cafile {place.folder}/both.crt"
    )
    with running(configuration, place.folder) as broker:
        login = ["--ca", str(place.ca), "--cert", str(issued.certificate), "--key", str(issued.key)]
        shown = ["--broker", f"mqtts://localhost:{broker.port}", *login, "--yes"]
        code, told = place.run("conform", "yard", "--site", "site.toml", "--spawn", *shown)
    assert code == 2, told
    assert f"lets the certificate {issued.certificate} be connected once at a time" in " ".join(told.split())


def test_a_simulated_node_takes_no_real_ones_place_without_a_yes(place: Place) -> None:
    """On somebody else's broker a simulated machine has the name of a real one, which then hears the same orders."""
    for command in (
        ["conform", "north", "--site", "site.toml", "--spawn", "--only", "link-says-on"],
        ["fuzz", "north", "--site", "site.toml", "--spawn", "--cases", "1"],
    ):
        code, told = place.run(*command, *place.login("yard"))
        assert code == 2, told
        assert "a real one there would move, or be thrown off it" in " ".join(told.split())


# ---------------------------------------------------------------- what others on this machine can see
def command_lines() -> list[str]:
    """The command lines of all processes: whoever is on this machine can read them."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            found.append(path.read_bytes().replace(b"\0", b" ").decode("utf-8", "replace"))
        except OSError:
            continue
    return found


@pytest.mark.skipif(not Path("/proc/self/cmdline").exists(), reason="/proc is on Linux only")
@pytest.mark.parametrize("name", ["ferry", "yard"])
def test_no_password_in_the_command_line_of_a_child(place: Place, tmp_path: Path, name: str) -> None:
    """The node that is started logs in behind the tap all the same."""
    secret(tmp_path, "bench")
    cases = {"ferry": ["link-says-on"], "yard": ["supervisor-asks"]}[name]
    with start_broker("mosquitto", users={"bench": "secret-of-bench"}) as broker:
        arguments: Sequence[str] = (
            "conform", name, "--site", "site.toml", "--spawn", "--yes", "--broker", f"mqtt://127.0.0.1:{broker.port}",
            "--user", "bench", "--password-file", str(tmp_path / "bench.password"), "--json", str(tmp_path / "r.json"),
            *(word for case in cases for word in ("--only", case)),
        )  # fmt: skip
        seen: list[str] = []
        with place.start(*arguments) as process:
            while process.poll() is None:
                seen += command_lines()
                time.sleep(0.05)
            out, err = process.communicate(timeout=PATIENCE_S)
        assert process.returncode == 0, out + err
    assert any(f" node {name} " in line for line in seen), "no child was seen"
    assert not [line for line in seen if "secret-of-bench" in line]
    report = (tmp_path / "r.json").read_text()
    assert json.loads(report)["verdict"] == "pass"
    assert "secret-of-bench" not in out + err + report
