"""The main program of the guide, over any client of MQTT: it compiles as the guide says, and does a node's duties."""

from __future__ import annotations

import shlex
import shutil
import subprocess
from itertools import pairwise
from pathlib import Path

import pytest
from markdown_it import MarkdownIt

from conformance.publish.site import sources
from protocol.site_file import scenario
from protocol.specification import specification
from protocol.validation import read_publication
from tests.firmware.board import WARNINGS, compiled
from tests.needs import needs

GUIDE = "docs/guides/port-the-core.md"
NODE = "siding"
ROOT = f"yw1/{scenario().name}"


def block(info: str, with_word: str = "") -> str:
    """The one block of the guide with that info string and that word in it."""
    text = (sources.home() / GUIDE).read_text(encoding="utf-8")
    found = [one.content for one in MarkdownIt("commonmark").parse(text) if one.type == "fence"
             and one.info == info and with_word in one.content]  # fmt: skip
    assert len(found) == 1
    return found[0]


@pytest.fixture(scope="module")
def folder(library: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the published library, and in it the program and a client of ours."""
    made = tmp_path_factory.mktemp("guide") / "Yardwire"
    shutil.copytree(library, made)
    (made / "main.c").write_text('#include "client.h"\n' + block("c skeleton"), encoding="utf-8")
    for part in ("any_client.c", "any_client.h"):
        shutil.copy(Path(__file__).with_name(part), made / part.removeprefix("any_"))
    return made


@pytest.fixture(scope="module")
def said(folder: Path) -> list[str]:
    """What the program does, built by the guide's own line."""
    (line,) = (one for one in block("sh", "main.c").splitlines() if "main.c" in one)
    command = shlex.split(line, comments=True)
    made = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False, timeout=60)
    assert made.returncode == 0, made.stderr
    run = subprocess.run([folder / command[-1]], capture_output=True, text=True, check=False, timeout=60)
    assert run.returncode == 0
    return run.stdout.splitlines()


@needs("gcc")
@pytest.mark.parametrize("node", ["north", "south", "siding", "ferry"])
def test_it_compiles_for_every_node_without_a_warning(node: str, folder: Path) -> None:
    json = [] if scenario().nodes[node].reads == "cbor" else ["-DYW_JSON"]
    include = [f"-I{folder}", f"-I{folder / 'extras' / node}", f"-I{folder / 'src'}"]
    compiled(["gcc", *WARNINGS, *json, *include, "-fsyntax-only", folder / "main.c"])


@needs("gcc")
def test_it_subscribes_to_both_before_it_says_a_word_and_says_all_state(said: list[str]) -> None:
    first = said[: said.index("holds")]
    status = f"{ROOT}/{NODE}/node-status"
    assert first[0].startswith(f"connects {NODE} {scenario().nodes[NODE].keep_alive_s} {status} ")
    assert first[1:3] == [f"subscribes {ROOT}/{NODE}/job-order 1", f"subscribes {ROOT}/all/job-order 1"]
    told = [line.split()[1] for line in first[3:]]
    assert told == [status, f"{ROOT}/{NODE}/train-arrival", f"{ROOT}/{NODE}/fault"]


@needs("gcc")
def test_what_it_says_is_valid_and_a_hold_to_all_is_obeyed(said: list[str]) -> None:
    """Of three holds the one that was neither retained nor too long."""
    held = {}
    for number, line in enumerate(said):
        if line.startswith("publishes"):
            _, topic, qos, retain, payload = line.split()
            reading = read_publication(topic, bytes.fromhex(payload), retain=retain == "1", qos=int(qos))
            assert reading.findings == ()
            if topic.endswith("train-arrival"):
                assert reading.body is not None
                held[number] = reading.body["held"]
    at = said.index("holds")
    assert {held[number] for number in held if number < at} == {False}
    assert {held[number] for number in held if number > at} == {True}


@needs("gcc")
def test_an_ask_is_answered_where_it_came_to_the_node_alone(said: list[str]) -> None:
    """To all a hold alone may be said [HLD-06]."""
    asked, gone = (
        said.index("asks"),
        next(n for n, line in enumerate(said) if n and line.startswith("connects")),
    )
    reports = [n for n, line in enumerate(said[:gone]) if f" {ROOT}/{NODE}/job-report " in line]
    assert len(reports) == 1
    assert reports[0] > asked
    assert said[reports[0]].split()[3] == "0", "a report is not retained"


@needs("gcc")
def test_it_waits_between_two_attempts_as_long_as_it_may(said: list[str]) -> None:
    at_ms = [int(line.rpartition(" ")[2]) for line in said if line.startswith("connects")]
    assert len(at_ms) == 5
    bounds = specification().timing["reconnect"]
    assert bounds.least is not None
    assert bounds.most is not None
    assert all(bounds.least <= later - earlier <= bounds.most for earlier, later in pairwise(at_ms))
