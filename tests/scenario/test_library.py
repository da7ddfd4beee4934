"""Every scenario that comes with the kit, on virtual time."""

from __future__ import annotations

import pytest

from protocol.site_file import scenario as site_of_the_kit
from reference_node.scenario.scenario_file import library, load_scenario, read_scenario
from reference_node.scenario.virtual_stage import play
from tests.sample import sampled

SITE = site_of_the_kit()


def test_there_are_enough() -> None:
    assert len(library()) >= 12
    assert library("nowhere") == {}


BETWEEN_EDITS = (
    "01-one-crane",
    "11-box-in-the-air",
    "20-emergency-stop",
)


@pytest.mark.parametrize("name", sampled(library(), BETWEEN_EDITS, rest="slow"))
def test_scenario_on_virtual_time(name: str) -> None:
    outcome = play(load_scenario(name, SITE), SITE)
    assert outcome.wrong == (), "\n".join(outcome.log)


@pytest.mark.slow
def test_the_same_seed_is_the_same_run() -> None:
    scenario = load_scenario("10-crane-reboots", SITE)
    assert play(scenario, SITE) == play(scenario, SITE)


@pytest.mark.parametrize(
    ("name", "expect", "wrong"),
    [
        ("04-one-train", 'gone = ["C-102"]', "box C-102 has not left with a train"),
        ("04-one-train", "met = false", "the goals are met"),
        ("04-one-train", "ends_within_s = 20", "instead of at most 20 s"),
        ("04-one-train", 'asked = ["spreader south"]', "nobody asked about spreader south"),
        ("04-one-train", 'not_asked = ["shuttle ferry"]', "somebody asked about shuttle ferry"),
        ("04-one-train", "failed = 1", "0 jobs failed or ended unknown, not 1"),
        ("04-one-train", "alarms = 1", "0 alarms, not 1"),
        (
            "04-one-train",
            'boxes = { C-100 = ["stack-n", 3] }',
            "stack-n slot 3 holds nothing instead of C-100",
        ),
        ("01-one-crane", 'met = false\nwaits_for = "thunder"', "nothing waits for 'thunder'"),
    ],
)
def test_what_is_not_as_expected_is_told(name: str, expect: str, wrong: str) -> None:
    """Every kind of expectation can fail."""
    text = library()[name].read_text(encoding="utf-8")
    text = text[: text.index("[expect]")] + "[expect]\n" + expect + "\n"
    outcome = play(read_scenario(text.encode(), name, SITE), SITE)
    assert any(wrong in one for one in outcome.wrong), outcome.wrong
