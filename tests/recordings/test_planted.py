"""Small faults, each of a kind that a comparison has to see: found, and named where it begins."""

from __future__ import annotations

from functools import cache
from itertools import pairwise

import pytest

from conformance.recordings.diff.difference import Comparison
from conformance.recordings.diff.differences import compare
from conformance.recordings.diff.event_log import Names
from conformance.recordings.diff.events import event_log_of
from conformance.recordings.diff.tolerance import Tolerance
from protocol.recording import Item, RecordedMessage
from protocol.site_file import scenario
from tests.recordings.planted import KINDS, planted
from tests.rules_over_messages.bent import Tale, good_tale
from tests.sample import sampled

NEAR = 3
SEEDS = range(101, 106)
"""Drawn when the comparison was finished: none of them was looked at before."""


@cache
def whole() -> list[Item]:
    return good_tale().items()


def compared(other: list[Item], *, site: bool = True) -> Comparison:
    names = Names()
    good, bad = event_log_of("good", whole(), names), event_log_of("other", other, names)
    return compare([good], bad, Tolerance(scenario() if site else None))


@pytest.mark.parametrize("seed", sampled(list(SEEDS), [101]))
@pytest.mark.parametrize("kind", KINDS)
def test_a_planted_fault_is_named_where_it_begins(kind: str, seed: int) -> None:
    tale = good_tale()
    begin = planted(kind, tale, seed)
    number = tale.said.index(begin) + 1
    items = tale.items()
    first = compared(items).first
    assert first is not None
    due = 1 + sum(isinstance(item, RecordedMessage) and item.at_us < first.at_us for item in items)
    shown = first.number or due
    assert min(abs(shown - number), abs(due - number)) <= NEAR, (begin, first)


def test_one_changed_word_of_an_order_is_one_difference() -> None:
    tale = good_tale()
    planted("changed word", tale, 1)
    found = compared(tale.items()).differences
    assert [one.kind for one in found] == ["changed"]
    assert "C-999 instead of C-10" in found[0].detail


def test_a_reading_that_flickers_inside_its_tolerance_is_none() -> None:
    tale = good_tale()
    states = list(tale.where("siding", "train-arrival", state="at-rest"))
    for number, one in enumerate(states[2:], 1):
        one.body["reading"] += number % 2
    assert compared(tale.items()).differences == []
    for number, one in enumerate(states[2:], 1):
        one.body["reading"] += 90 * (number % 2)
    assert compared(tale.items()).differences != []


def test_a_report_that_was_lost_and_said_again_is_a_note() -> None:
    tale = good_tale()
    accepted = tale.first("north", "job-report", act="transfer", state="accepted")
    again = tale.after(accepted)
    again.at_us = accepted.at_us + 1_000_000
    tale.said.remove(accepted)
    tale.said.sort(key=lambda one: one.at_us)
    found = compared(tale.items())
    assert found.differences == []
    assert any("lost" in note for note in found.notes)


def test_the_site_file_widens_the_axis_that_follows_the_train_and_no_other() -> None:
    """Crane south serves the train and crane north does not; of south only the first axis follows its reading."""

    def moved(node: str, axis: int, by: int) -> Tale:
        tale = good_tale()
        for one in tale.where(node, "crane-status", mode="working"):
            one.body["axes"][axis][1] += by
        return tale

    assert compared(moved("south", 0, 3).items()).differences == []
    for node, axis in (("north", 0), ("south", 1), ("south", 2)):
        found = compared(moved(node, axis, 3).items()).differences
        assert {one.kind for one in found} == {"changed"}, (node, axis)
        assert f"target of axis {axis + 1}" in found[0].detail


def test_what_cannot_be_read_and_what_was_retained_is_counted() -> None:
    tale = good_tale()
    planted("unreadable", tale, 3)
    found = compared(tale.items())
    assert any("cannot be read, 0 in the good run: yardwire validate other" in note for note in found.notes)
    items = [item._replace(retain=True) if isinstance(item, RecordedMessage) and number < 9 else item
             for number, item in enumerate(whole())]  # fmt: skip
    assert any("retained messages were left out" in note for note in compared(items).notes)


def test_a_word_that_comes_late_and_is_made_up_for_is_the_machine_that_says_it() -> None:
    """A stall of the machine makes one step longer and the next one shorter; a slow axis makes one longer."""
    tale = good_tale()
    own = [one for one in tale.said if one.node == "north" and one.message in ("job-report", "crane-status")]
    late = next(
        one for one, then in pairwise(own)
        if one.body.get("step") and then.at_us - one.at_us > 200_000
    )  # fmt: skip
    late.at_us += 60_000
    late.body["uptime"] += 60
    tale.said.sort(key=lambda one: one.at_us)
    assert compared(tale.items()).differences == []


@pytest.mark.slow
def test_every_kind_is_planted_somewhere_else_by_another_seed() -> None:
    """Else five seeds would be one."""
    places = {kind: {planted(kind, good_tale(), seed).at_us for seed in SEEDS} for kind in KINDS}
    several = [kind for kind, found in places.items() if len(found) > 1]
    assert len(several) >= len(KINDS) - 4, places
