"""Whoever listens to a yard under a legal supervisor accuses nobody in it of anything."""

from __future__ import annotations

import pytest

from conformance.oracle.bus_judge import BusJudge
from protocol.recording import Item, RecordedEnd, RecordedMessage
from reference_node.scenario.scenario_file import load_scenario
from reference_node.scenario.virtual_stage import VirtualStage
from reference_node.supervisor.supervisor import Supervisor
from tests.faulty_supervisors.ownership import GivesAnIdTwice
from tests.legal_supervisors.legal import SITE, Legal
from tests.legal_supervisors.variants import LEGAL
from tests.sample import sampled

SCENARIO = "05-unload-and-load"
IN_EVERY_RUN = ("AsksAgainAndAgain", "ClaimsAnewForEveryFewOrders")


def heard(
    kind: type[Supervisor], scenario: str = SCENARIO, variant: Legal | None = None
) -> tuple[list[str], BusJudge]:
    """What is told of a scenario under that supervisor, as `watch` and `validate` have it, and the judge."""
    site = SITE if variant is None else variant.site(SITE)
    stage = VirtualStage(load_scenario(scenario, site), site, kind)
    stage.run()
    items: list[Item] = [
        RecordedMessage(one.at_ms * 1000, one.topic, one.payload, one.qos, retain=False, dup=False)
        for one in stage.bus.log
    ]
    judge = BusJudge(site)
    end = RecordedEnd(items[-1].at_us, len(items))
    return [str(one) for item in [*items, end] for one in judge.take(item) if not one.note], judge


@pytest.mark.parametrize("name", sampled(LEGAL, IN_EVERY_RUN))
def test_a_legal_supervisor_is_heard_without_an_alarm(name: str) -> None:
    told, judge = heard(LEGAL[name].kind, variant=LEGAL[name])
    assert told == []
    assert sum(judge.judged.values()) > 1000


def test_what_is_told_of_a_wrong_one_shows_that_the_same_ears_hear() -> None:
    told, _ = heard(GivesAnIdTwice)
    assert any("SUP-04" in one for one in told), told
