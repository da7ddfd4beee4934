"""The parts of the judge that go by clocks and counts: uptime, deadlines, heartbeats and motor starts."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message, Trace
from conformance.oracle.motion import Motion
from conformance.oracle.node_state import NodeState
from conformance.oracle.timing import CLOCK_GRACE_MS, STALL_MS, Timing
from conformance.oracle.uptime_settings import UptimeSettings
from protocol.wire.packet import Publish

WRAP = 2**32


class Told(list[str]):
    """The requirements that were told of, and what was said."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []

    def __call__(self, requirement: str, what: str, _oracle: Oracle, _at: int) -> None:
        self.append(requirement)
        self.words.append(what)


def message(name: str, at_ms: float, **body: Any) -> Message:
    topic = f"yw1/harlow-basin/ferry/{name}"
    trace = Trace(1, 1, at_ms, True, 60, Publish(topic, b"", 0, True, False, None))
    return Message(trace, topic, b"", 0, True, name, body, None, ())


class Clock:
    """Follows the time of a node; nothing stands still unless a test says so."""

    def __init__(self, *, still: float = 0.0, carried: float = 0.0) -> None:
        self.told, self.counted = Told(), Counter[str]()
        self.looked: list[tuple[float, float]] = []
        self.timing = Timing(self.told, self.counted, self._still(still), lambda _begin, _end: carried)

    def _still(self, still: float) -> Any:
        def stalled(begin_ms: float, end_ms: float) -> float:
            self.looked.append((begin_ms, end_ms))
            return still

        return stalled

    def says(
        self, at_ms: float, uptime: int | None = None, name: str = "job-report", **more: bool
    ) -> list[str]:
        how = {"setting": False, "told": False, "excused": False} | more
        body = {} if uptime is None else {"uptime": uptime % WRAP}
        self.timing.said(message(name, at_ms, **body), **how)
        told = list(self.told)
        self.told.clear()
        return told


# ---------------------------------------------------------------- uptime
@pytest.mark.parametrize(("was", "is_", "told"), [(900, 900, []), (900, 901, []), (900, 899, ["MSG-08"]),
                                                  (WRAP - 1, WRAP + 4, []), (4, -1, ["MSG-08"])])  # fmt: skip
def test_uptime_is_never_behind_an_earlier_message(was: int, is_: int, told: list[str]) -> None:
    """MSG-08: within a boot, and goes on from 0 after 4294967295."""
    clock = Clock()
    assert clock.says(0.0, was) == []
    assert clock.counted["MSG-08"] == 0
    assert clock.says(5.0, is_) == told
    assert clock.counted["MSG-08"] == 1


def test_what_is_set_or_begins_anew_may_be_behind() -> None:
    for more in ({"setting": True}, {"told": True}):
        clock = Clock()
        clock.says(0.0, 900)
        assert clock.says(5.0, 20, **dict[str, Any](more)) == []
        assert clock.timing.known is ("told" in more)
    clock = Clock()
    clock.says(0.0, 900)
    clock.timing.set_anew()
    assert not clock.timing.known
    assert clock.says(5.0, 20) == []
    assert clock.says(6.0) == []
    assert clock.says(7.0, 19) == ["MSG-08"], "a message without uptime tells nothing"


@pytest.mark.parametrize(("ours", "theirs", "off"), [(4_000, 5_200, False), (4_000, 5_201, True), (4_000, 2_800, False),
                                                     (4_000, 2_799, True)])  # fmt: skip
def test_uptime_counts_milliseconds(ours: int, theirs: int, off: bool) -> None:
    """MSG-08; a second and 5 % are left to it, and it must be off for a while."""
    assert ours * 0.05 + CLOCK_GRACE_MS == 1_200
    clock = Clock()
    clock.says(1_000.0, 100)
    assert clock.says(1_000.0 + ours, 100 + theirs) == []
    after = ours + STALL_MS
    assert clock.says(1_000.0 + after - 1, 100 + theirs + STALL_MS + (400 if theirs > ours else -400)) == []
    told = clock.says(1_000.0 + after, 100 + theirs + STALL_MS + (400 if theirs > ours else -400))
    assert told == (["MSG-08"] if off else [])


def test_a_clock_that_was_off_for_a_moment_is_forgiven() -> None:
    clock = Clock()
    clock.says(0.0, 0)
    assert clock.says(1_000.0, 9_000 - 6_000) == []
    assert clock.says(3_000.0, 3_000) == []
    assert clock.says(3_600.0, 5_600) == []
    for again in ("disturbed", "set_anew"):
        clock = Clock()
        clock.says(0.0, 0)
        clock.says(1_000.0, 3_000)
        getattr(clock.timing, again)()
        assert clock.says(3_600.0, 5_600) == []
        assert clock.says(7_200.0, 9_200) == []


def test_the_time_of_a_line_is_left_to_what_came_over_it() -> None:
    for carried, told in ((0.0, ["MSG-08"]), (500.0, [])):
        clock = Clock(carried=carried)
        clock.says(0.0, 0)
        clock.says(100.0, 2_050)
        assert clock.says(100.0 + STALL_MS, 2_050 + STALL_MS) == told
        clock = Clock(carried=carried)
        clock.says(0.0, 0)
        clock.says(100.0, 2_300)
        assert clock.says(100.0 + STALL_MS, 2_300 + STALL_MS) == ["MSG-08"]


def test_a_breach_of_the_clock_is_told_once_and_looked_for_anew() -> None:
    clock = Clock()
    clock.says(0.0, 0)
    clock.says(100.0, 3_000)
    assert clock.says(2_600.0, 5_500) == ["MSG-08"]
    assert clock.says(2_700.0, 5_600) == []
    assert clock.says(5_300.0, 8_200) == []


def test_the_uptime_of_an_instant_goes_on_from_the_newest() -> None:
    clock = Clock()
    assert [clock.timing.known] == [False]
    assert clock.timing.at(40.0) == 40
    clock.says(100.0, 900)
    assert clock.timing.known
    assert [clock.timing.at(one) for one in (100.0, 140.0, 140.9)] == [900, 940, 940]


# ---------------------------------------------------------------- deadlines
@pytest.mark.parametrize(
    ("deadline", "at_ms", "past"),
    [(899, 0.0, True), (900, 0.0, None), (901, 0.0, None), (975, 100.0, None), (974, 100.0, True), (900, 22.0, None),
     (900, 23.0, True), (900 + WRAP // 2, 0.0, None), (901 + WRAP // 2, 0.0, True)],
)  # fmt: skip
def test_a_deadline_has_surely_passed_by_the_slowest_clock(
    deadline: int, at_ms: float, past: bool | None
) -> None:
    """ORD-10; 5 % less than our own clock, and 20 ms for the stamps of both."""
    clock = Clock()
    assert clock.timing.surely_past(5, 0.0) is None
    clock.says(0.0, 900)
    assert clock.timing.surely_past(deadline, at_ms) is past


def test_beyond_the_wrap_it_is_in_time() -> None:
    """ORD-11."""
    clock = Clock()
    clock.says(0.0, WRAP - 5)
    assert clock.timing.surely_past(3, 0.0) is None
    assert clock.timing.surely_past(WRAP - 6, 0.0) is True
    assert clock.timing.surely_past(WRAP - 6, 90.0) is True


# ---------------------------------------------------------------- heartbeats
@pytest.mark.parametrize(
    ("name", "most", "requirement"),
    [("fault", 2_000, "MSG-02"), ("node-status", 10_000, "MSG-03"), ("shuttle-status", 2_000, "MSG-02")],
)
def test_every_state_comes_often_enough(name: str, most: int, requirement: str) -> None:
    """MSG-02 and MSG-03; 100 ms are left to a loop."""
    for gap, told in ((most + 100, []), (most + 101, [requirement])):
        clock = Clock()
        clock.says(0.0, 50, name)
        assert clock.counted[requirement] == 0
        assert clock.says(gap, 50 + gap, "job-report") == told
        assert clock.says(gap, 50 + gap, "job-report") == [], "once"
        assert clock.counted[requirement] == 0
        assert clock.says(gap, 50 + gap, name) == []
        assert clock.counted[requirement] == 1
        assert clock.looked == ([(-STALL_MS, gap)] if told else [])


def test_what_stood_still_or_was_carried_is_no_silence() -> None:
    for how in ({"still": 50.0}, {"carried": 50.0}, {"still": 25.0, "carried": 25.0}):
        for gap, told in ((2_150, []), (2_151, ["MSG-02"])):
            clock = Clock(**how)
            clock.says(0.0, 0, "fault")
            assert clock.says(gap, gap, "job-report") == told
            assert clock.says(gap + 60, gap + 60, "job-report") == []


def test_a_connection_begins_all_of_them_and_a_disturbed_one_ends_them() -> None:
    clock = Clock()
    clock.timing.begins(("fault", "node-status"), 100)
    assert clock.says(0.0, 2_201, "shuttle-status") == ["MSG-02"]
    assert "no fault for 2101 ms" in clock.told.words[-1]
    for end in ("disturbed", "set_anew"):
        clock = Clock()
        clock.timing.begins(("fault",), 100)
        getattr(clock.timing, end)()
        assert clock.says(0.0, 9_000, "shuttle-status") == []
    clock = Clock()
    clock.timing.begins(("fault",), 100)
    assert clock.says(0.0, 9_000, "shuttle-status", excused=True) == []
    assert clock.says(9.0, 9_009, "shuttle-status") == []
    assert clock.timing.known


# ---------------------------------------------------------------- the uptime is set
def test_several_settings_are_on_their_way_until_each_is_reported() -> None:
    settings = UptimeSettings(Clock().timing)
    opened = [settings.open]
    for number in (1, 2):
        settings.came({"id": number, "uptime": 5}, 0.0)
    report = message("job-report", 9.0, act="set-uptime", id=1, uptime=5, state="done")
    for _ in range(3):
        settings.reported(report)
        opened.append(settings.open)
    settings.came({"id": 3, "uptime": 5}, 0.0)
    opened.append(settings.open)
    settings.lost()
    assert [*opened, settings.open] == [False, True, False, False, True, False]


@pytest.mark.parametrize(("forgets", "told"), [("lost", ["BEN-04"]), ("new_boot", []), ("forget", [])])
def test_what_was_ordered_before_a_boot_is_no_order_of_it(forgets: str, told: list[str]) -> None:
    """BEN-04."""
    clock = Clock()
    settings = UptimeSettings(clock.timing)
    settings.came({"id": 1, "uptime": 5}, 0.0)
    getattr(settings, forgets)()
    assert settings.open is (forgets == "new_boot")
    settings.reported(message("job-report", 9.0, act="set-uptime", id=1, uptime=9_000, state="done"))
    assert clock.told == told


# ---------------------------------------------------------------- motors
HELD = NodeState(held=True, job=0)
IDLE = NodeState(held=False, job=0)
MOVING = NodeState(held=False, job=4, job_states=frozenset({"running"}))


class Motors:
    """Two messages that say 'starts'; what lies between them is the test's."""

    def __init__(self, *, starts: int = 3) -> None:
        self.told, self.counted = Told(), Counter[str]()
        self.motion = Motion(self.told, self.counted)
        self.motion.said({"starts": starts}, 1)

    def then(self, starts: int = 4) -> list[str]:
        self.motion.said({"starts": starts}, 2)
        return list(self.told)


@pytest.mark.parametrize(
    ("acts", "states", "requirement"),
    [([], [IDLE], "ORD-20"), (["resume"], [IDLE], "ORD-20"), (["reset-fault"], [IDLE], "FLT-05"),
     (["claim"], [IDLE], "CLM-03"), (["ask"], [IDLE], "ORD-04"), (["ask", "claim"], [IDLE], "CLM-03"),
     (["resume", "ask"], [IDLE], "ORD-04"), (["claim"], [HELD], "HLD-03"), ([], [IDLE, HELD], "HLD-03")],
)  # fmt: skip
def test_a_motor_that_starts_while_nothing_may_move(
    acts: list[str], states: list[NodeState], requirement: str
) -> None:
    """ORD-20, FLT-05, CLM-03, ORD-04, HLD-03: by what came since the count before."""
    for starts, told in ((4, [requirement]), (3, [])):
        motors = Motors()
        for act in acts:
            motors.motion.came(act)
        motors.motion.look(states, by_hand=False)
        assert motors.then(starts) == told
        assert motors.counted[requirement] == 1


def test_a_job_or_a_person_may_move_it() -> None:
    for states, by_hand in (
        ([MOVING], False),
        ([IDLE, MOVING], False),
        ([MOVING, IDLE], False),
        ([IDLE], True),
    ):
        motors = Motors()
        motors.motion.look(states, by_hand=by_hand)
        motors.motion.look([IDLE], by_hand=False)
        assert (motors.then(), motors.counted) == ([], Counter())
        motors.motion.look([IDLE], by_hand=False)
        assert motors.then(5) == ["ORD-20"], "and no more once its count was said"


def test_what_is_over_does_not_tell_why() -> None:
    motors = Motors()
    motors.motion.came("claim")
    motors.motion.look([HELD], by_hand=False)
    motors.then(3)
    motors.motion.look([IDLE], by_hand=False)
    assert motors.then(4) == ["ORD-20"]


@pytest.mark.parametrize(
    ("starts", "told"), [(2, ["BEN-03"]), (3, []), (4, []), (32_771, []), (32_772, ["BEN-03"])]
)
def test_the_count_goes_up_and_round(starts: int, told: list[str]) -> None:
    """BEN-03."""
    motors = Motors()
    motors.motion.look([MOVING], by_hand=False)
    assert motors.then(starts) == told


def test_it_goes_round_behind_65535() -> None:
    """BEN-03."""
    for before, after, told in ((65_535, 0, []), (65_535, 32_767, []), (65_535, 32_768, ["BEN-03"])):
        motors = Motors(starts=before)
        motors.motion.look([MOVING], by_hand=False)
        assert motors.then(after) == told


def test_what_may_move_before_the_first_count_tells_nothing() -> None:
    motion = Motion(told := Told(), Counter())
    motion.look([HELD], by_hand=False)
    motion.said({"starts": 4}, 1)
    assert told == []
    motion.look([IDLE], by_hand=False)
    motion.said({"starts": 5}, 2)
    assert told == ["ORD-20"]


def test_a_count_that_is_not_said_or_is_that_of_another_boot_tells_nothing() -> None:
    motors = Motors()
    motors.motion.said({}, 2)
    assert motors.then() == ["ORD-20"]
    motors = Motors()
    motors.motion.came("claim")
    motors.motion.look([HELD], by_hand=False)
    motors.motion.new_boot()
    assert motors.then(0) == []
    assert motors.then(1) == ["ORD-20"]
