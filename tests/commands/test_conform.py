"""`yardwire conform` as a user runs it: a try-out, wrong arguments, nobody to ask, Ctrl-C."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from conformance.bench.brokers.broker import Broker, start_broker
from conformance.suite.case import all_cases
from protocol.site_file import scenario_text
from tests.commands.at_the_tap import conforming
from tests.commands.yardwire import YARDWIRE

PATIENCE_S = 60


@pytest.fixture
def site(tmp_path: Path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(scenario_text())
    return path


def conform(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", YARDWIRE, "conform", *map(str, arguments)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )


def test_a_try_out_passes_and_writes_every_report(site: Path, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("report.json", "report.html", "report.xml")]
    ended = conform(
        "north", "--site", site, "--spawn", "--choice", "embedded", "--only", "orders-stale", "--only", "link-will",
        "--json", files[0], "--html", files[1], "--junit", files[2],
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr
    assert "6 pass" in ended.stdout
    assert "Let north connect to 127.0.0.1, port " in ended.stderr
    report = json.loads(files[0].read_text())
    assert report["verdict"] == "pass"
    assert report["complete"]
    assert all(file.stat().st_size > 500 for file in files)
    assert not list(tmp_path.glob("*.part"))


def test_a_node_built_with_another_site_file_does_not_conform(site: Path, tmp_path: Path) -> None:
    """A broker of the test's own, so that the node can be given another site file than the kit."""
    other = tmp_path / "other.toml"
    other.write_text(scenario_text().replace("travel = 0 ", "travel = 5 "))
    assert other.read_text() != site.read_text()
    with start_broker("embedded") as broker, subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, "conform", "north", "--site", str(site), "--broker", broker.url,
         "--only", "messages-node-status"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    ) as kit:  # fmt: skip
        assert kit.stderr is not None
        port = kit.stderr.readline().split("port ")[1].split()[0]
        with subprocess.Popen(
            [sys.executable, "-c", YARDWIRE, "node", "north", "--site", str(other), "--bench", "--broker",
             f"mqtt://127.0.0.1:{port}"],
            stdout=subprocess.DEVNULL,
        ) as node:  # fmt: skip
            try:
                out, _ = kit.communicate(timeout=PATIENCE_S)
            finally:
                node.kill()
    assert kit.returncode == 1
    assert "FAIL  messages-node-status" in out
    assert "digest" in out


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        ([], "NODE is needed"),
        (["north"], "site.toml: cannot read the site file"),
        (["nobody", "--site", "SITE", "--yes"], "there is no node 'nobody'"),
        (["yard", "--site", "SITE", "--yes"], "--program"),
        (["yard", "--site", "SITE"], "there is no terminal to ask on"),
        (["yard", "--site", "SITE", "--program", "supervise {broker}"], "{brief}"),
        (["yard", "--site", "SITE", "--program", "'"], "the program cannot be read"),
        (["yard", "--site", "SITE", "--spawn", "--reset-command", "true"], "--program"),
        (
            ["yard", "--site", "SITE", "--spawn", "--broker", "mqtt://127.0.0.1:1"],
            "a real one on that broker",
        ),
        (["north", "--site", "SITE", "--yes", "--program", "x {broker} {brief}"], "--reset-command"),
        (["north", "--site", "SITE"], "there is no terminal to ask on"),
        (["north", "--site", "SITE", "--only", "no-case"], "there is no case 'no-case'"),
        (["north", "--site", "none.toml", "--yes"], "none.toml"),
        (["north", "--site", "SITE", "--yes", "--json", "no/folder/r.json"], "no such folder"),
        (["north", "--site", "SITE", "--yes", "--broker", "mqtt://127.0.0.1:1"], "127.0.0.1"),
        (["north", "--site", "SITE", "--yes", "--slow", "0.1"], "--slow"),
        (["--explain", "no-case"], "there is no case"),
    ],
)
def test_what_cannot_be_run_is_told_in_one_message(arguments: list[str], told: str, site: Path) -> None:
    ended = conform(*(str(site) if one == "SITE" else one for one in arguments))
    assert ended.returncode == 2
    assert told in ended.stderr
    assert "Traceback" not in ended.stderr


def test_a_supervisor_is_tried_out(site: Path, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("report.json", "report.html", "report.xml")]
    ended = conform(
        "yard", "--site", site, "--spawn", "--choice", "embedded", "--slow", "4", "--only", "supervisor-messages",
        "--json", files[0], "--html", files[1], "--junit", files[2],
    )  # fmt: skip
    assert ended.returncode == 0, ended.stderr + ended.stdout
    assert "yard (supervisor): 2 cases: 2 pass" in ended.stdout
    verdicts = {case["id"]: case["verdict"] for case in json.loads(files[0].read_text())["cases"]}
    assert verdicts["supervisor-asks"] == verdicts["supervisor-messages"] == "pass"
    assert all(file.stat().st_size > 500 for file in files)


@pytest.mark.parametrize(
    ("program", "told"),
    [
        ("no-such-program", "no-such-program"),
        (
            "sh -c 'echo no broker in $0 >&2; exit 3' yard.ini",
            "the program has ended with 3: no broker in yard.ini",
        ),
    ],
)
def test_a_program_that_does_not_run_is_no_breach_and_told(program: str, told: str, site: Path) -> None:
    ended = conform(
        "yard", "--site", site, "--choice", "embedded", "--only", "supervisor-asks",
        "--program", program + " {broker} {brief}",
    )  # fmt: skip
    assert ended.returncode == 1
    assert "INCONCLUSIVE  supervisor-asks" in ended.stdout
    assert told in ended.stdout


def test_no_motion_needs_nobody_to_ask(site: Path) -> None:
    ended = conform(
        "ferry", "--site", site, "--no-motion", "--only", "orders-late", "--spawn", "--choice", "embedded"
    )
    assert ended.returncode == 0, ended.stderr


def test_list_and_explain_know_every_case() -> None:
    listed = conform("--list")
    assert listed.returncode == 0
    assert all(f"  {id_}" in listed.stdout for id_ in all_cases())
    assert max(map(len, listed.stdout.splitlines())) <= 80
    page = conform("--explain", "orders-stale")
    assert page.returncode == 0
    assert "ORD-07 (MUST)" in page.stdout


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="needs /proc to see what is left running (Linux)")
def test_ctrl_c_ends_it_with_what_was_judged_and_leaves_nothing(site: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    mark = f"CONFORM_MARK={os.getpid()}-{tmp_path.name}"
    with start_broker("embedded") as broker, subprocess.Popen(
        [sys.executable, "-c", YARDWIRE, "conform", "ferry", "--site", str(site), "--spawn", "--broker", broker.url,
         "--yes", "--only", "messages-heartbeat", "--json", str(report)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        env=os.environ | dict([mark.split("=")]),
    ) as kit:  # fmt: skip
        _wait_for_three_asks(broker)
        kit.send_signal(signal.SIGINT)
        out, err = kit.communicate(timeout=PATIENCE_S)
    assert kit.returncode == 130
    assert "stopped by Ctrl-C" in err
    assert "stopped before its end" in out
    told = json.loads(report.read_text())
    assert (told["complete"], told["verdict"], told["stopped"]) == (
        False,
        "inconclusive",
        "stopped by Ctrl-C",
    )
    assert "messages-heartbeat" in told["not_reached"]
    assert f"of {told['counts']['pass'] + len(told['not_reached'])} cases were judged" in " ".join(
        out.split()
    )
    assert not left_running(mark)


def test_a_board_that_never_connects_is_no_verdict(site: Path, tmp_path: Path) -> None:
    files = [tmp_path / name for name in ("r.json", "r.xml")]
    prelude = "import conformance.bench.tap.arrival as a; a.WAIT_S = 3; a.SAID_EVERY_S = 1; "
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded")
    with conforming(*arguments, "--json", files[0], "--junit", files[1], prelude=prelude) as kit:
        code, out, err = kit.ended()
    assert code == 2
    assert "nothing connected within 3 s" in err
    assert "--bind" in err
    assert f"waiting for ferry at 127.0.0.1, port {kit.port}: 1 of 3 s" in err
    assert "\x1b" not in err, "no terminal is written over where there is none"
    assert "FAIL" not in out
    assert out.startswith("FIRST    connection: ferry has not connected\n  do       start ferry")
    assert "rule " not in out
    told = json.loads(files[0].read_text())
    assert (told["verdict"], told["complete"], told["cases"]) == ("inconclusive", False, [])
    assert "nothing connected within 3 s" in files[1].read_text()


def test_ctrl_c_while_it_waits_for_the_board(site: Path, tmp_path: Path) -> None:
    report = tmp_path / "report.json"
    report.write_text('{"verdict": "pass"}')
    prelude = "import conformance.bench.tap.arrival as a; a.SAID_EVERY_S = 0.1; "
    arguments = ("ferry", "--site", site, "--no-motion", "--choice", "embedded", "--json", report)
    with conforming(*arguments, prelude=prelude) as kit:
        assert kit.process.stderr is not None
        assert "waiting for ferry" in kit.process.stderr.readline()
        kit.interrupt()
        code, out, err = kit.ended()
    assert code == 130, out + err
    told = json.loads(report.read_text())
    assert (told["verdict"], told["complete"]) == ("inconclusive", False)
    assert "0 of " in out


def test_what_was_asked_for_and_not_judged_is_exit_1(site: Path) -> None:
    ended = conform(
        "ferry", "--site", site, "--no-motion", "--only", "orders-job", "--spawn", "--choice", "embedded"
    )
    assert ended.returncode == 1, ended.stdout + ended.stderr
    assert "asked for and not judged: orders-job (it moves the machine)" in ended.stdout


def _wait_for_three_asks(broker: Broker) -> None:
    """Until the kit has asked the node for the third time: the quiet stretch of the heartbeat case begins."""
    asked, enough = [], threading.Event()
    client = mqtt.Client(CallbackAPIVersion.VERSION2)

    def heard(_client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        asked.append(message.payload)
        if len(asked) >= 3:
            enough.set()

    client.on_message = heard
    client.connect(broker.host, broker.port)
    client.subscribe("yw1/harlow-basin/ferry/job-order")
    client.loop_start()
    try:
        assert enough.wait(PATIENCE_S)
    finally:
        client.disconnect()
        client.loop_stop()


def left_running(mark: str) -> list[str]:
    """Processes that still carry the mark in their environment (Linux)."""
    found = []
    for environ in Path("/proc").glob("[0-9]*/environ"):
        try:
            if mark.encode() in environ.read_bytes().split(b"\0"):
                found.append((environ.parent / "cmdline").read_text().replace("\0", " "))
        except OSError:
            continue
    return [line for line in found if line]


def test_a_spawned_node_on_somebody_elses_broker_needs_a_yes(site: Path) -> None:
    """A real node of that name may be there, and would obey."""
    with start_broker("embedded") as broker:
        ended = conform("north", "--site", site, "--spawn", "--broker", broker.url)
    assert ended.returncode == 2
    assert "there is no terminal to ask on" in ended.stderr
    assert "CAUTION" in ended.stderr
