"""Scenario files with mistakes: each is named with its place and how to fix it."""

from __future__ import annotations

from pathlib import Path

import pytest

from protocol.site_file import scenario as site_of_the_kit
from protocol.trouble import Trouble
from reference_node.scenario.scenario_file import BadScenario, load_scenario, read_scenario
from reference_node.scenario.virtual_stage import play
from reference_node.supervisor.observe.boxes import Spot

SITE = site_of_the_kit()
HEAD = 'scenario = 1\nsite = "harlow-basin"\ntitle = "t"\nwithin_s = 10\n'
TRAIN = '[[trains]]\nberth = "siding"\ntrain = "T"\n'


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("scenario = 1", "within_s missing"),
        (HEAD.replace('"harlow-basin"', '"elsewhere"'), "a scenario of 'elsewhere', not of 'harlow-basin'"),
        (HEAD + "wihtin = 3", 'unknown key "wihtin". Did you mean "within_s"?'),
        (HEAD + "[start.boxes]\nattic = []", "there is no place 'attic'. Places are: stack-n, stack-s"),
        (HEAD + '[start.boxes]\nstack-n = ["A"]', "stack-n has 4 slots, not 1"),
        (HEAD + '[start.boxes]\nstack-s = ["", "A"]', "box A hangs in the air: slot 0 is empty"),
        (HEAD + '[start.boxes]\nstack-s = ["A", "A"]', "box A stands in two places"),
        (HEAD + '[start.boxes]\nsiding = ["", "", ""]', "what stands on a train comes with the train"),
        (HEAD + '[goals.boxes]\nA = ["stack-n", 7]', "stack-n has slots 0 to 3, not 7"),
        (HEAD + '[goals.boxes]\nA = ["attic", 0]', "goals.boxes.A: there is no place 'attic'"),
        (HEAD + '[goals.boxes]\nA = ["stack-n", 0]\nB = ["stack-n", 0]', "two boxes are wanted in one slot"),
        (HEAD + '[goals.shuttles]\nferry = "quay-w"', "ferry does not stop at 'quay-w'"),
        (HEAD + '[goals.shuttles]\nbus = "quay-n"', "there is no shuttle 'bus'"),
        (HEAD + TRAIN.replace("siding", "dock"), "there is no berth 'dock'. Berths are: siding"),
        (HEAD + TRAIN + 'brings = ["A"]', "a train there has 3 slots"),
        (HEAD + TRAIN + "takes = { A = 9 }", "siding has slots 0 to 2, not 9"),
        (HEAD + TRAIN + "takes = { A = 0, B = 0 }", "two boxes are wanted in one slot"),
        (HEAD + TRAIN + TRAIN, "two trains of one berth have one name"),
        (HEAD + TRAIN + 'pulls = "well"', 'expected "usual", "heavy" or "too-heavy", got "well"'),
        (HEAD + '[[events]]\ndo = "reboot"\nnode = "north"', "Give one of at_s, after_job and when"),
        (HEAD + '[[events]]\ndo = "reboot"\nat_s = 1', "reboot has to say to which node"),
        (HEAD + '[[events]]\ndo = "reboot"\nnode = "west"\nat_s = 1', "there is no node 'west'"),
        (HEAD + '[[events]]\ndo = "network-gone"\nnode = "all"\nat_s = 1', "has to say for how long"),
        (HEAD + '[[events]]\ndo = "jam"\nnode = "ferry"\nat_s = 1', "only an axis of a crane jams"),
        (HEAD + '[[events]]\ndo = "box-by-hand"\nat_s = 1', "which box and where to"),
        (HEAD + '[[events]]\ndo = "dance"\nat_s = 1', 'expected "reboot", "network-gone"'),
        ("scenario = ", "See https://toml.io"),
    ],
)
def test_mistake_is_named(text: str, told: str) -> None:
    with pytest.raises(BadScenario) as caught:
        read_scenario(text.encode(), "bad.toml", SITE)
    assert told in str(caught.value)
    assert str(caught.value).startswith("bad.toml: ")


def test_every_mistake_is_told_at_once() -> None:
    text = HEAD + '[goals.boxes]\nA = ["attic", 0]\n[[events]]\ndo = "reboot"\nnode = "west"\nat_s = 1'
    with pytest.raises(BadScenario) as caught:
        read_scenario(text.encode(), "bad.toml", SITE)
    assert len(caught.value.problems) == 2


def test_a_file_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + TRAIN + 'takes = { A = 1 }\nnot_before_s = 5\n[goals.boxes]\nB = ["stack-s", 0]\n')
    found = load_scenario(str(path), SITE)
    (goal_state,) = found.goal_states(1_000)
    assert goal_state.boxes == {"B": Spot("stack-s", 0)}
    assert goal_state.visits[0].takes == {1: "A"}
    assert goal_state.visits[0].not_before_ms == 6_000
    assert found.told(SITE)["stack-s"] == ("", "")


def test_a_name_that_is_none_lists_those_that_are() -> None:
    with pytest.raises(Trouble, match="01-one-crane, 02-under-others"):
        load_scenario("no-such", SITE)


def test_the_scenario_of_the_guide_plays_as_it_says() -> None:
    guide = Path(__file__).parents[2] / "docs" / "supervising.md"
    _, begins, rest = guide.read_text(encoding="utf-8").partition("scenario = 1\n")
    text = begins + rest.partition("```")[0]
    outcome = play(read_scenario(text.encode(), guide.name, SITE), SITE)
    assert outcome.wrong == (), "\n".join(outcome.log)
