"""How `yardwire supervise` ends: 0 only where all that was wanted was seen on the bus, in every yard."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from pathlib import Path

import pytest

from conformance.bench.brokers.broker import Broker, start_broker
from protocol.site_file import scenario_text
from tests.commands.listener import Listener
from tests.commands.test_supervise import PATIENCE_S, Talk, ended, supervise
from tests.needs import needs

HEAD = 'scenario = 1\nsite = "harlow-basin"\ntitle = "t"\nwithin_s = {within}\n'
START = '[start.boxes]\nstack-n = ["C-100", "C-101", "C-102", ""]\n'
GOAL = '[goals]\nboxes = {{ C-101 = ["stack-n", 3] }}\n'


def written(where: Path, more: str = "", within: int = 60) -> str:
    (where / "mine.toml").write_text((HEAD + START + GOAL).format(within=within) + more)
    return "mine.toml"


@pytest.fixture
def empty_bus(tmp_path: Path) -> Iterator[Broker]:
    """A bus with nobody on it, and a site file beside."""
    (tmp_path / "site.toml").write_text(scenario_text())
    with start_broker("mosquitto") as broker:
        yield broker


# ---------------------------------------------------------------- nobody on the bus
@needs("mosquitto")
@pytest.mark.parametrize("expect", ["", "[expect]\nmet = false\n"])
def test_quitting_on_an_empty_bus(empty_bus: Broker, tmp_path: Path, expect: str) -> None:
    asked = (written(tmp_path, expect), "--yard", "real", "--broker", empty_bus.url, "--yes")
    with supervise(tmp_path, *asked) as process:
        talk = Talk(process)
        talk.wait_for("Say 'help'")
        talk.say("quit")
        assert process.wait(PATIENCE_S) == 1
        talk.wait_for("not as the scenario expects")
    told = " ".join(talk.told)
    assert "not all goals met" in told
    assert "not met: box C-101 to stack-n slot 3" in told
    assert "not as expected: it was stopped before its end" in told
    assert "never heard of and claimed: north, south, siding, ferry" in told


@needs("mosquitto")
def test_time_is_over_on_an_empty_bus(empty_bus: Broker, tmp_path: Path) -> None:
    """Not met is an expectation too, and has to be seen."""
    name = written(tmp_path, "[expect]\nmet = false\n", within=3)
    code, out, _ = ended(tmp_path, name, "--yard", "real", "--broker", empty_bus.url, "--yes", "--json")
    found = json.loads(out[out.index("{") :])
    assert code == 1
    assert found["met"] is False
    assert found["open"] == ["box C-101 to stack-n slot 3"]
    assert found["wrong"] == ["never heard of and claimed: north, south, siding, ferry"]


@needs("mosquitto")
def test_nothing_was_wanted_of_an_empty_bus(empty_bus: Broker, tmp_path: Path) -> None:
    code, out, _ = ended(tmp_path, "--broker", empty_bus.url, "--yes", said="quit\n")
    assert code == 0
    assert "met" not in out


@needs("mosquitto")
@pytest.mark.parametrize("leaves", ["quit", "Ctrl-C"])
def test_a_supervisor_that_leaves_says_off_and_no_on_stays_behind(
    empty_bus: Broker, tmp_path: Path, leaves: str
) -> None:
    with (
        Listener(empty_bus) as subscriber,
        supervise(tmp_path, "--broker", empty_bus.url, "--yes") as process,
    ):
        talk = Talk(process)
        talk.wait_for("Say 'help'")
        if leaves == "quit":
            talk.say("quit")
        else:
            process.send_signal(signal.SIGINT)
        assert process.wait(PATIENCE_S) == (0 if leaves == "quit" else 130)
        subscriber.wait_for(lambda heard: heard[-1][1] == "node-status" and heard[-1][2]["state"] == "off")
        on = next(body for _, name, body in subscriber.heard if name == "node-status")
    assert subscriber.heard[-1][2] == {"boot": on["boot"], "link": on["link"], "state": "off"}


# ---------------------------------------------------------------- stopped before its end
@needs("mosquitto")
def test_quitting_with_a_goal_open(empty_bus: Broker, tmp_path: Path) -> None:
    """Nothing new is ordered after it, and the goal is named."""
    with (
        Listener(empty_bus) as subscriber,
        supervise(tmp_path, "--yard", "simulated", "--broker", empty_bus.url, "--yes") as process,
    ):
        talk = Talk(process)
        talk.wait_for("north: home done")
        talk.say("bring C-101 stack-s 0")
        talk.wait_for("north: box C-101")
        talk.say("quit")
        assert process.wait(PATIENCE_S) == 1
        talk.wait_for("not met: box C-101 to stack-s slot 0")
        subscriber.wait_for(
            lambda _: any(body["state"] == "done" for _, body in subscriber.reports("transfer"))
        )
        assert len({(node, body["id"]) for node, body in subscriber.orders("transfer")}) == 1
        assert len({body["id"] for _, body in subscriber.orders("run")}) <= 1


def test_all_that_was_wanted_by_hand_was_seen(tmp_path: Path) -> None:
    with supervise(tmp_path, "--yard", "simulated") as process:
        talk = Talk(process)
        talk.wait_for("north: home done")
        talk.say("bring C-101 stack-n 3")
        talk.wait_for("met: box C-101 to stack-n slot 3")
        talk.say("quit")
        assert process.wait(PATIENCE_S) == 0
    assert not any("not met" in line for line in talk.told)


# ---------------------------------------------------------------- what was not played
@pytest.mark.parametrize("yard", ["virtual", "simulated"])
def test_an_event_whose_time_never_comes(tmp_path: Path, yard: str) -> None:
    never = '[[events]]\nafter_job = 99\ndo = "reboot"\nnode = "north"\n'
    code, out, _ = ended(tmp_path, written(tmp_path, never, within=20), "--yard", yard)
    assert code == 1
    assert "all goals met" in out
    told = " ".join(out.split())
    assert "not as expected: this never happened: switch north off and on (after job 99)" in told


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (
            '[[events]]\nwhen = "siding lost"\nthen_s = 900\ndo = "hold"\nnode = "all"\n',
            "this never happened: somebody holds all (when 'siding lost' is said and 900 s later)",
        ),
        (
            '[[events]]\nat_s = 700\ndo = "jam"\nnode = "north"\naxis = 1\n',
            "this never happened: jam axis 1 of north (700 s after the start)",
        ),
        (
            '[[answers]]\nabout = "spreader"\nwhere = "south"\nsay = ["C-9"]\n',
            "nobody answered the question about spreader south with: C-9",
        ),
    ],
)
def test_what_a_scenario_says_and_is_not_so(tmp_path: Path, more: str, told: str) -> None:
    code, out, _ = ended(tmp_path, written(tmp_path, more))
    assert code == 1
    assert told in " ".join(out.split())


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (HEAD.format(within=9) + START, "nothing is wanted, so nothing can be met"),
        ('[[events]]\nwhen = "north lfit"\ndo = "reboot"\nnode = "north"\n', "north never says 'lfit'"),
        ('[[events]]\nwhen = "yard on"\ndo = "reboot"\nnode = "north"\n', "yard never says 'on'"),
        ('[[events]]\nwhen = "all lift"\ndo = "reboot"\nnode = "north"\n', "one node says it, not all"),
        ('[expect]\nnot_asked = ["spreder south"]\n', "no question is about 'spreder'"),
        ('[expect]\nasked = ["slots west"]\n', "there is no node or place 'west'"),
        ('[[answers]]\nabout = "slots"\nwhere = "west"\nsay = [""]\n', "there is no node or place 'west'"),
    ],
)
def test_what_could_only_be_waited_for_in_vain_is_a_mistake(tmp_path: Path, text: str, told: str) -> None:
    name = written(tmp_path, text)
    if text.startswith("scenario"):
        (tmp_path / name).write_text(text)
    code, _, err = ended(tmp_path, name)
    assert code == 2
    assert told in err


@pytest.mark.parametrize(
    ("site", "told"),
    [
        (
            'site = "s"\nprotocol = 1\n[nodes.yard]\nroles = ["supervisor"]\n',
            "no node that could be supervised",
        ),
        (scenario_text().replace('[nodes.yard]\nroles = ["supervisor"]', ""), "names no supervisor"),
    ],
)
def test_a_site_where_nothing_can_be_seen(tmp_path: Path, site: str, told: str) -> None:
    (tmp_path / "site.toml").write_text(site)
    code, _, err = ended(tmp_path, "--yard", "simulated", said="quit\n")
    assert code == 2
    assert told in err
