"""The judge of nodes over what a listener hears: what it adds, that it agrees with the rules, and accuses nobody."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path

import pytest

from conformance.bench.virtual_bench import VirtualBench
from conformance.oracle.bus_judge import BusJudge, judged
from examples.yard_on_virtual_time import run
from protocol.recording import EventKind, Item, RecordedEnd, RecordedEvent, RecordedMessage, RecordingReader
from protocol.site import Site
from tests.legal_nodes.every import LEGAL
from tests.rules_over_messages.bent import SITE, Tale, good_tale
from tests.rules_over_messages.every_bend import BENT
from tests.sample import sampled

Bend = Callable[[Tale], object]
EXAMPLES = Path("examples/recordings")
NEW: list[tuple[str, Bend]] = []


def told(items: list[Item]) -> set[str]:
    """The requirements that are found broken."""
    return {one.requirement for one in judged(items, SITE) if not one.note}


def only_the_judge_sees(requirement: str) -> Callable[[Bend], Bend]:
    """The requirement that a bend breaks, of which the rules say nothing."""

    def enter(bend: Bend) -> Bend:
        NEW.append((requirement, bend))
        return bend

    return enter


# ------------------------------------------------------------------------------------------ what it adds
@only_the_judge_sees("ORD-10")
def a_fit_job_is_refused_as_late(tale: Tale) -> None:
    report = tale.last("north", "job-report", act="transfer", state="accepted")
    id_ = report.body["id"]
    tale.drop(
        lambda one: (
            one.node == "north"
            and one.at_us > report.at_us
            and (one.message == "job-report" or one.body.get("job") == id_)
        )
    )
    report.body |= {"state": "refused", "reason": "late"}
    for name in ("step", "box", "load"):
        report.body.pop(name, None)


@only_the_judge_sees("ORD-08")
def a_mark_that_nothing_raised(tale: Tale) -> None:
    half = tale.said[len(tale.said) // 2].at_us
    for one in tale.where("north", "crane-status"):
        if one.at_us > half:
            one.body["mark"] += 1


@only_the_judge_sees("HLD-01")
def a_hold_that_nobody_gave(tale: Tale) -> None:
    half = tale.said[len(tale.said) // 2].at_us
    for one in tale.where("ferry", "shuttle-status"):
        if one.at_us > half:
            one.body["holds"] += 1


@only_the_judge_sees("ORD-09")
def a_job_that_nobody_gave(tale: Tale) -> None:
    half = tale.said[len(tale.said) // 2].at_us
    for one in tale.where("south", "crane-status"):
        if one.at_us > half and "job" in one.body:
            one.body["job"] += 7


@only_the_judge_sees("FLT-04")
def faults_that_are_fewer(tale: Tale) -> None:
    half = tale.said[len(tale.said) // 2].at_us
    for one in tale.where("north", "fault"):
        if one.at_us < half:
            one.body["faults"] = 3


@only_the_judge_sees("MSG-12")
def another_buffer(tale: Tale) -> None:
    half = tale.said[len(tale.said) // 2].at_us
    for one in tale.where("south", "node-status"):
        one.body["buffer"] += one.at_us > half


@pytest.mark.parametrize(("requirement", "bend"), NEW, ids=[bend.__name__ for _, bend in NEW])
def test_what_only_the_judge_sees_is_told(requirement: str, bend: Bend) -> None:
    tale = good_tale()
    bend(tale)
    items = tale.items()
    assert requirement not in tale.broken(), "the rules see it too: another bend shows what the judge adds"
    assert requirement in told(items)


# ------------------------------------------------------------------------------------------ that both agree
def agree() -> list[tuple[str, Bend]]:
    """One bend of each requirement: all of them are the rules' own test."""
    return list({requirement: (requirement, bend) for requirement, bend in BENT}.values())


@pytest.mark.parametrize(("requirement", "bend"), agree(), ids=[bend.__name__ for _, bend in agree()])
def test_what_the_rules_find_is_told_once_the_judge_listens_too(requirement: str, bend: Bend) -> None:
    tale = good_tale()
    bend(tale)
    assert requirement in told(tale.items())


# ------------------------------------------------------------------------------------------ that nobody is accused
def test_a_good_run_breaks_nothing_and_every_node_was_judged() -> None:
    judge = BusJudge(SITE)
    found = [one for item in good_tale().items() for one in judge.take(item)]
    assert [str(one) for one in found if not one.note] == []
    for requirement in ("ORD-01", "ORD-08", "ORD-09", "ORD-14", "HLD-01", "CRN-02", "BER-02", "SHT-02"):
        assert judge.judged[requirement] > 20, f"{requirement} was judged {judge.judged[requirement]} times"


@pytest.mark.parametrize("path", sorted(EXAMPLES.glob("*.ywrec")), ids=lambda path: path.stem)
def test_what_went_wrong_in_a_yard_is_no_breach_of_its_nodes(path: Path) -> None:
    """The faults of the examples are people's, magnets' and supervisors'; a cut-off recording leaves nodes silent."""
    with path.open("rb") as file:
        found = [one for one in judged(RecordingReader(file), SITE) if not one.note]
    beside = {"MSG-02", "MSG-03", "SUP-17"}
    assert {one.requirement for one in found} <= beside, [str(one) for one in found]


@pytest.mark.parametrize("seed", sampled(range(3), [0]))
def test_loss_accuses_nobody(tmp_path: Path, seed: int) -> None:
    """One message in twenty is lost on each leg."""
    path = tmp_path / "lossy.ywrec"
    run(path, seed=seed, loss=0.05)
    with path.open("rb") as file:
        assert [str(one) for one in judged(RecordingReader(file), SITE) if not one.note] == []


@pytest.mark.parametrize("part", sampled([0.1, 0.35, 0.6, 0.8], [0.35]))
def test_who_begins_to_listen_in_the_middle_accuses_nobody(part: float) -> None:
    items = good_tale().items()
    assert told(items[int(len(items) * part) :]) == set()


@pytest.mark.parametrize("every", sampled([5, 9, 31], [9]))
def test_what_this_listener_alone_loses_accuses_nobody(every: int) -> None:
    """A broker drops for a slow subscriber whatever comes, orders too, which have no seq."""
    items = [one for number, one in enumerate(good_tale().items()) if number % every]
    found = [one for one in judged(items, SITE) if not one.note]
    assert [
        str(one) for one in found if one.requirement.startswith(("CRN", "BER", "SHT", "HLD", "FLT"))
    ] == []


def test_a_break_of_the_listeners_own_link_accuses_nobody() -> None:
    items = good_tale().items()
    begin, end = len(items) // 3, len(items) // 2
    gap: list[Item] = [
        RecordedEvent(items[begin].at_us, EventKind.DISCONNECTED, "cut"),
        RecordedEvent(items[end].at_us, EventKind.CONNECTED, ""),
    ]
    assert told([*items[:begin], *gap, *items[end:]]) == set()


def test_topics_that_overtake_each_other_accuse_nobody() -> None:
    """MQTT keeps the order of one topic and QoS alone: an order may be heard behind the answer to it."""
    items = good_tale().items()
    late: list[Item] = []
    for item in items:
        slow = isinstance(item, RecordedMessage) and item.topic.endswith("/job-order")
        late.append(
            item._replace(at_us=item.at_us + 200_000) if slow and isinstance(item, RecordedMessage) else item
        )
    late.sort(key=lambda one: one.at_us)
    assert told(late) == set()


def test_a_node_with_another_digest_is_not_judged_by_this_site_file() -> None:
    tale = good_tale()
    for one in tale.where("north", "node-status"):
        one.body["digest"] ^= 1
    for one in tale.where("north", "crane-status"):
        one.body = copy.deepcopy(one.body)
        one.body["mark"] += 1
    assert "ORD-08" not in {one.requirement for one in judged(tale.items(), SITE) if one.node == "north"}


LEGAL_RUNS = [
    ("SubscribesOneByOne", "ferry"),
    ("SaysAllAtQosZero", "ferry"),
    ("ComesBackLate", "north"),
    ("SaysItsStateInAnotherOrder", "siding"),
]
"""A fixed sample of variants, each as one node."""


def recorded(name: str, node: str) -> tuple[list[Item], Site]:
    """What a subscriber hears of the whole suite over a legal node on the bench, and its site."""
    played = LEGAL[name].run(node, bench=True)
    played.perform()
    bench = played.fixture.bench
    assert isinstance(bench, VirtualBench)
    items: list[Item] = [
        RecordedMessage(one.at_ms * 1000, one.topic, one.payload, one.qos, retain=False, dup=False)
        for one in bench.bus.log
    ]
    return [*items, RecordedEnd(items[-1].at_us, len(items))], played.fixture.site


@pytest.mark.parametrize(("name", "node"), LEGAL_RUNS)
def test_a_suite_over_a_legal_node_is_heard_without_an_alarm(name: str, node: str) -> None:
    """Wrong orders, cuts, resets and a clock that is set: whoever listens to that accuses the node of nothing."""
    items, site = recorded(name, node)
    judge = BusJudge(site)
    found = [one for item in items for one in judge.take(item)]
    assert [str(one) for one in found if not one.note] == []
    assert sum(judge.judged.values()) > len(items)
