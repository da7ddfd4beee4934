"""`yardwire link` and `--serial` of other commands, as they are typed; and ports that are opened without a reset."""

from __future__ import annotations

import json
import signal
import stat
import subprocess
import sys
import termios
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.bench.connection.board_logins import endpoint_of, read_logins
from protocol.site_file import scenario_text
from protocol.trouble import Trouble
from protocol.wire.endpoint import Endpoint
from protocol.wire.serial.port import SerialPort
from tests.needs import needs
from tests.serial.cable import Cable
from tests.serial.test_on_a_cable import Listener, board, off, on, running

YARDWIRE = (sys.executable, "-m", "conformance.commands.main")
PATIENCE = 20.0


@contextmanager
def command(*words: str) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen([*YARDWIRE, *words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield process
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def until(happens: Callable[[], bool]) -> bool:
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        if happens():
            return True
        time.sleep(0.02)
    return False


@pytest.fixture
def broker() -> Iterator[Broker]:
    with start_broker("mosquitto") as running_broker:
        yield running_broker


@needs("mosquitto")
def test_a_gateway_that_is_killed_leaves_a_board_that_takes_no_orders(site: Path, broker: Broker) -> None:
    """SIGKILL: the broker says 'off', the board notices by the silence; the next gateway gets its next connection."""
    listener = Listener(broker)
    words = ("link", "--site", str(site), "--broker", f"mqtt://{broker.host}:{broker.port}", "--json")
    try:
        with Cable() as cable, running(board(cable, "siding")) as host:
            with command(*words, cable.host) as gateway:
                listener.wait("siding", "node-status", on(7, 1))
                gateway.kill()
                listener.wait("siding", "node-status", off)
                assert until(lambda: not host.is_up)
            with command(*words, cable.host) as gateway:
                listener.wait("siding", "node-status", on(7, 2))
                assert gateway.stdout is not None
                states = (json.loads(line)["state"] for line in gateway.stdout)
                assert next(state for state in states if state == "siding: on the bus")
                gateway.send_signal(signal.SIGINT)
                gateway.communicate(timeout=PATIENCE)
            assert gateway.returncode == 130
            assert listener.wait("siding", "node-status", off)
    finally:
        listener.close()


@needs("mosquitto")
def test_a_node_on_a_line_is_judged_with_no_broker_of_the_users(site: Path, tmp_path: Path) -> None:
    """Both commands as processes, and the chapter of the line among what is judged."""
    report = tmp_path / "report.json"
    cases = ("serial-status-again", "serial-frames", "serial-garbage", "link-will", "orders-ask")
    chosen = [word for case in cases for word in ("--only", case)]
    with Cable() as cable, command("node", "siding", "--site", str(site), "--serial", cable.board, "--bench"):
        with command(
            "conform",
            "siding",
            "--site",
            str(site),
            "--serial",
            cable.host,
            "--no-motion",
            "--json",
            str(report),
            *chosen,
        ) as judge:
            told, said = judge.communicate(timeout=60)
        assert judge.returncode == 0, told + said
    assert f"Waiting for siding on {cable.host}, 115,200 baud" in said
    verdicts = {row["id"]: row["verdict"] for row in json.loads(report.read_text())["cases"]}
    assert {verdicts[case] for case in cases} == {"pass"}


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (
            ["conform", "siding", "--serial", "/dev/tty-none", "--no-motion"],
            "/dev/tty-none: there is no such port",
        ),
        (["node", "siding", "--serial", "/dev/tty-none"], "/dev/tty-none: there is no such port"),
        (["node", "siding", "north", "--serial", "/dev/tty-none"], "one line carries one node"),
        (
            ["conform", "siding", "--serial", "/dev/tty-none", "--baud", "2400", "--no-motion"],
            "a line of 2,400 baud is too slow to judge a board on",
        ),
        (
            ["fuzz", "siding", "--serial", "/dev/tty-none", "--baud", "1200", "--no-motion"],
            "4,800 baud or more",
        ),
        (["link"], "no port is named"),
        (["link", "/dev/tty-a", "/dev/tty-a"], "is named twice"),
    ],
)
def test_what_cannot_be_run_is_said_in_words(site: Path, words: list[str], told: str) -> None:
    done = subprocess.run(
        [*YARDWIRE, *words, "--site", str(site)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 2
    assert told in done.stderr
    assert "Traceback" not in done.stderr


def test_a_site_that_lets_a_board_speak_json_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text().replace('writes = "cbor"', 'writes = "json"'))
    words = ["conform", "north", "--site", str(path), "--serial", "/dev/tty-none", "--no-motion"]
    done = subprocess.run([*YARDWIRE, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "SER-01" in done.stderr


@pytest.mark.wire
def test_ports_are_listed() -> None:
    done = subprocess.run(
        [*YARDWIRE, "link", "--list", "--json"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    assert all({"port", "what"} == set(row) for row in json.loads(done.stdout)["ports"])


# ---- who logs in
def test_a_board_without_a_login_is_not_let_in(tmp_path: Path) -> None:
    path = tmp_path / "logins.toml"
    path.write_text('[north]\nuser = "north"\npassword = "a word"\n')
    path.chmod(0o600)
    logins = read_logins(path)
    bus = Endpoint("127.0.0.1", 1883)
    found = endpoint_of("north", bus, logins)
    assert (found.user, found.password) == ("north", "a word")
    with pytest.raises(Trouble, match="the login file has none for south"):
        endpoint_of("south", bus, logins)
    with pytest.raises(Trouble, match="none for south"):
        endpoint_of("south", bus, {})


@pytest.mark.parametrize("mode", [0o644, 0o640, 0o604])
def test_logins_that_others_can_read_are_not_used(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "logins.toml"
    path.write_text('[north]\nuser = "north"\npassword = "a secret word"\n')
    path.chmod(mode)
    with pytest.raises(Trouble, match="can be read by others") as refused:
        read_logins(path)
    assert "a secret word" not in str(refused.value)
    assert stat.S_IMODE(path.stat().st_mode) == mode


@pytest.mark.parametrize(
    "text",
    [
        '[north]\nuser = "north"\n',
        '[north]\nuser = "north"\npassword = 7\n',
        '[north]\nuser = ""\npassword = "s3cret"\n',
        'north = "s3cret"\n',
        '[north]\nuser = "north"\npassword = "s3cret"\nhost = "x"\n',
        "s3cret\n",
    ],
)
def test_logins_that_say_something_else_are_refused_without_a_password_in_the_words(
    tmp_path: Path, text: str
) -> None:
    path = tmp_path / "logins.toml"
    path.write_text(text)
    path.chmod(0o600)
    with pytest.raises(Trouble) as refused:
        read_logins(path)
    assert "s3cret" not in str(refused.value)
    assert str(path) in str(refused.value)


# ---- a port is opened without a reset
def test_dtr_and_rts_are_not_touched_and_do_not_drop_at_the_end() -> None:
    """What the program asks of the system is seen by an audit hook; a pseudo-terminal has no such wires."""
    asked: list[int] = []
    watching = True

    def hook(event: str, arguments: tuple[object, ...]) -> None:
        if watching and event == "fcntl.ioctl":
            asked.append(int(str(arguments[1])))

    sys.addaudithook(hook)
    with Cable() as cable:
        port = SerialPort(cable.host, 115_200)
        modes = termios.tcgetattr(port.fileno())
        port.close()
    watching = False
    wires = {termios.TIOCMBIS, termios.TIOCMBIC, termios.TIOCMSET}
    assert not wires & set(asked)
    assert not modes[2] & termios.HUPCL
    assert not modes[2] & termios.CRTSCTS
