"""The rules and the judge over one bus: what each is asked, and that what both see is told once."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from conformance.oracle import bus_judge
from conformance.oracle.bus_judge import TOLD_US, BusJudge, judged
from protocol.recording import EventKind, RecordedEnd, RecordedEvent, RecordedMessage
from protocol.rules.received import Breach
from tests.oracle.script import SITE

AT_US = 100_000_000


def breach(requirement: str = "ORD-08", at_us: int = AT_US, node: str = "ferry", **more: bool) -> Breach:
    return Breach(requirement, "as a test says", at_us, 1, node, **more)


class Engine:
    """Stands for one of both: it gives what a test put in it and keeps what it was asked."""

    def __init__(self) -> None:
        self.gives: dict[str, list[Breach]] = {}
        self.asked: list[tuple[str, Any]] = []
        self.follow: Callable[..., Any] | None = None
        self.minors = {"ferry": 1}
        self.judged = {"ORD-08": 4}

    def take(self, item: Any, reading: Any = None) -> list[Breach]:
        self.asked.append(("take", item.at_us))
        return self.gives.pop("take", [])

    def look(self, at_us: int) -> list[Breach]:
        self.asked.append(("look", at_us))
        return self.gives.pop("look", [])

    def end(self, at_us: int) -> list[Breach]:
        self.asked.append(("end", at_us))
        return self.gives.pop("end", [])

    def forget(self) -> None:
        self.asked.append(("forget", None))

    def binding(self, found: list[Breach]) -> list[Breach]:
        """Whatever binds the node, by the minor version that it says."""
        return [one for one in found if one.requirement != "MSG-13"]


class Both:
    """A judge of a bus over two such engines."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, *, site: bool = True) -> None:
        self.rules, self.listener = Engine(), Engine()

        def monitor(_site: Any, _reader: Any, follow: Callable[..., None]) -> Engine:
            self.rules.follow = follow
            return self.rules

        monkeypatch.setattr(bus_judge, "RuleMonitor", monitor)
        monkeypatch.setattr(bus_judge, "Listener", lambda _site: self.listener)
        self.judge = BusJudge(SITE if site else None)

    def tells(self, by_rules: list[Breach], by_judge: list[Breach]) -> list[Breach]:
        """What is told where both find this."""
        self.rules.gives["look"], self.listener.gives["look"] = by_rules, by_judge
        return self.judge.look(AT_US)


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch) -> Both:
    return Both(monkeypatch)


MESSAGE = RecordedMessage(AT_US, "yw1/harlow-basin/ferry/fault", b"", 1, retain=False, dup=False)


# ---------------------------------------------------------------- what each is asked
def test_a_message_goes_to_the_rules_and_the_judge_says_what_is_sure_by_then(both: Both) -> None:
    mine, other = breach("MSG-02"), breach("ORD-09")
    both.rules.gives["take"], both.listener.gives["look"] = [mine], [other]
    assert both.judge.take(MESSAGE) == [mine, other]
    assert (both.rules.asked, both.listener.asked) == ([("take", AT_US)], [("look", AT_US)])
    assert both.rules.follow == both.listener.take, "what can be read goes on to the judge"


@pytest.mark.parametrize(
    ("kind", "asked"), [(EventKind.DISCONNECTED, [("forget", None)]), (EventKind.CONNECTED, [])]
)
def test_a_break_of_the_listeners_link_is_a_gap_for_the_judge(
    both: Both, kind: str, asked: list[Any]
) -> None:
    mine = breach("MSG-02")
    both.rules.gives["take"] = [mine]
    assert both.judge.take(RecordedEvent(AT_US, kind, "")) == [mine]
    assert both.listener.asked == asked


def test_the_end_of_a_recording_ends_both(both: Both) -> None:
    mine, other = breach("MSG-02"), breach("ORD-09")
    both.rules.gives["take"], both.listener.gives["end"] = [mine], [other]
    assert both.judge.take(RecordedEnd(AT_US, 1)) == [mine, other]
    assert both.listener.asked == [("end", AT_US)]


def test_where_nothing_is_said_both_are_looked_at(both: Both) -> None:
    mine, other = breach("MSG-02"), breach("ORD-09")
    assert both.tells([mine], [other]) == [mine, other]
    assert (both.rules.asked, both.listener.asked) == ([("look", AT_US)], [("look", AT_US)])
    assert (both.judge.minors, both.judge.judged) == ({"ferry": 1}, {"ORD-08": 4})


def test_without_a_site_the_rules_judge_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    alone, mine = Both(monkeypatch, site=False), breach("MSG-02")
    for item in (MESSAGE, RecordedEvent(AT_US, EventKind.DISCONNECTED, ""), RecordedEnd(AT_US, 1)):
        alone.rules.gives["take"] = [mine]
        assert alone.judge.take(item) == [mine]
    assert alone.tells([mine], [breach()]) == [mine]
    assert (alone.listener.asked, alone.judge.judged) == ([], {})
    assert alone.rules.follow is not None
    alone.rules.follow("a message", "its item", "how it reads")


def test_a_recording_is_judged_item_by_item(monkeypatch: pytest.MonkeyPatch) -> None:
    both, first, last = Both(monkeypatch), breach("MSG-02"), breach("ORD-09")
    both.rules.gives["take"], both.listener.gives["end"] = [first], [last]
    assert list(judged([MESSAGE, RecordedEnd(AT_US, 1)], SITE)) == [first, last]


# ---------------------------------------------------------------- what both see
@pytest.mark.parametrize(
    ("off_us", "again"),
    [(0, False), (TOLD_US - 1, False), (1 - TOLD_US, False), (TOLD_US, True), (-TOLD_US, True)],
)
def test_what_the_rules_have_told_is_not_told_again_for_a_while(both: Both, off_us: int, again: bool) -> None:
    mine, other = breach(), breach(at_us=AT_US + off_us)
    assert both.tells([mine], [other]) == ([mine, other] if again else [mine])
    assert both.tells([], [other]) == ([other] if again else []), "nor later, when the judge is sure of it"


def test_the_newest_that_the_rules_have_told_counts(both: Both) -> None:
    both.tells([breach(at_us=AT_US - TOLD_US)], [])
    assert both.tells([breach("ORD-09"), breach()], [breach(at_us=AT_US + TOLD_US - 1)])[2:] == []
    assert both.tells([], [breach("ORD-09")]) == [], "each of several"


def test_another_node_or_requirement_is_told_all_the_same(both: Both) -> None:
    others = [breach(node="north"), breach("ORD-09")]
    assert both.tells([breach()], [breach(), *others]) == [breach(), *others]


def test_a_note_tells_of_no_breach_and_what_the_judge_told_stays_open(both: Both) -> None:
    note = breach(note=True)
    assert both.tells([note], [breach()]) == [note, breach()]
    assert both.tells([], [breach()]) == [breach()], "the rules have told nothing of it"
    assert both.tells([note, breach()], [breach()]) == [note, breach()], "a note ends nothing"


def test_what_does_not_bind_a_node_is_not_held_against_it(both: Both) -> None:
    """MSG-13 is of a later minor version than the node says (`since` in the requirements)."""
    assert both.tells([], [breach("MSG-13"), breach()]) == [breach()]
