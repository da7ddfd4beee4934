"""Rules of counts and machines, each at its edges: boot, seq, uptime, heartbeat, connections, tables and faults."""

from __future__ import annotations

from typing import Any

import pytest

from protocol.rules.counts import PATIENCE, REMEMBERED, SETTING_US, SILENCE_GRACE_US, Counts
from protocol.rules.received import Breach, ReceivedMessage
from protocol.specification import specification
from tests.rules_over_messages.heard import BOOT, SECOND, Bus

STATE_MS, STATUS_MS = specification().most_ms("state_repeat"), specification().most_ms("status_repeat")


class Topics:
    """What is heard of nodes on their topics; `found` is what the last of it showed, a note with a question mark."""

    def __init__(self) -> None:
        self.counts = Counts()
        self.now = 50 * SECOND
        self.number = 0
        self.breaches: list[Breach] = []

    @property
    def found(self) -> list[str]:
        return [one.requirement + "?" * one.note for one in self.breaches]

    def hears(self, seq: int = 0, *, node: str = "north", message: str = "fault", place: str = "", boot: int = BOOT,
              uptime: int | None = None, payload: bytes = b"", **more: Any) -> ReceivedMessage | None:  # fmt: skip
        self.number += 1
        ms = self.now // 1000 if uptime is None else uptime
        body = {"boot": boot, "seq": seq, "uptime": ms} | more
        heard = ReceivedMessage(self.number, self.now, node, message, place, body)
        self.breaches = []
        return self.counts.follow(heard, payload or repr(body).encode(), self.breaches)

    def orders(self, act: str, node: str = "north") -> None:
        self.number += 1
        body = {"act": act, "id": 1}
        heard = ReceivedMessage(self.number, self.now, node, "job-order", "", body)
        assert self.counts.follow(heard, b"", self.breaches) is heard

    def looks(self, us: int) -> list[str]:
        self.now += us
        self.breaches = list(self.counts.look(self.now, self.number))
        return self.found


# ---------------------------------------------------------------- seq
@pytest.mark.parametrize(
    ("was", "is_", "found", "said"),
    [(3, 4, [], ""), (65_535, 0, [], ""), (3, 5, ["MSG-07?"], "1 fault message lost before seq 5"),
     (3, 6, ["MSG-07?"], "2 fault messages lost before seq 6"), (3, 3, ["MSG-07"], "has seq 3 twice"),
     (3, 2, ["MSG-07"], "went from 3 back to 2"), (0, 32_768, ["MSG-07?"], "32767 fault messages lost"),
     (0, 32_769, ["MSG-07"], "back to 32769")],
)  # fmt: skip
def test_a_topic_counts_by_one(was: int, is_: int, found: list[str], said: str) -> None:
    """MSG-07: without gap or repeat; what this listener lost is a note."""
    topics = Topics()
    first = topics.hears(was)
    assert first is not None
    assert (first.lost, first.first, topics.found) == (True, True, [])
    topics.now += 1_000
    then = topics.hears(is_)
    assert then is not None
    assert (topics.found, then.lost, then.first, then.new_boot) == (found, bool(found), False, False)
    if found:
        assert said in topics.breaches[0].what
        assert topics.breaches[0].since == 1


def test_each_topic_place_and_node_counts_by_itself() -> None:
    topics = Topics()
    maps = ({"message": "yard-map", "place": place} for place in "ab")
    every: list[dict[str, Any]] = [{}, {"message": "crane-status"}, *maps, {"node": "south"}]
    for more in every:
        topics.hears(9, **more)
        topics.now += 1_000
        topics.hears(10, **more)
        assert topics.found == []
    topics.hears(12, message="yard-map", place="a")
    assert topics.breaches[0].what == "1 yard-map/a message lost before seq 12"
    topics.counts.forget()
    again = topics.hears(20)
    assert again is not None
    assert (again.first, topics.found) == (True, [])


def test_a_second_delivery_is_no_second_message() -> None:
    topics = Topics()
    assert topics.hears(1, payload=b"x") is not None
    assert topics.hears(1, payload=b"x") is None
    assert topics.found == []
    for seq in range(2, REMEMBERED + 1):
        topics.hears(seq, payload=b"x")
    assert topics.hears(1, payload=b"x") is None
    topics.hears(REMEMBERED + 1, payload=b"x")
    assert topics.hears(1, payload=b"x") is not None
    assert topics.found == ["MSG-07"]


# ---------------------------------------------------------------- boots
def test_a_boot_changes_at_a_start_and_none_comes_again() -> None:
    """MSG-04 and MSG-05."""
    topics = Topics()
    topics.hears(3)
    then = topics.hears(9, boot=8, uptime=1)
    assert then is not None
    assert (then.lost, then.new_boot, topics.found) == (True, True, ["MSG-05?"])
    topics.hears(5, message="crane-status", boot=8)
    assert topics.found == []
    topics.hears(10, boot=8, uptime=2)
    assert topics.found == []
    topics.hears(11, boot=BOOT)
    assert topics.found == ["MSG-04"]
    topics.hears(12, boot=8)
    assert topics.found == [], "the boot of now"


# ---------------------------------------------------------------- uptime and heartbeat
@pytest.mark.parametrize(("by", "found"), [(-1, ["MSG-08"]), (0, []), (STATE_MS, []), (STATE_MS * 105 // 100, []),
                                           (STATE_MS * 105 // 100 + 1, ["MSG-02"])])  # fmt: skip
def test_uptime_goes_on_and_a_state_comes_often_enough(by: int, found: list[str]) -> None:
    """MSG-08 and MSG-02, by the node's own time, with five per cent."""
    for was in (10_000, 2**32 - 1):
        topics = Topics()
        topics.hears(1, uptime=was)
        topics.hears(2, uptime=(was + by) % 2**32)
        assert topics.found == found
        assert [one.since for one in topics.breaches] == [1] * len(found)
        topics.hears(4, uptime=(was + by + 3 * STATE_MS) % 2**32)
        assert topics.found == ["MSG-07?"], "one between them was lost"


def test_only_the_states_of_nodes_have_a_heartbeat() -> None:
    """MSG-03: node-status at least every 10 s; a supervisor has none."""
    for message, by, found in (("node-status", STATE_MS * 2, []), ("node-status", STATUS_MS * 2, ["MSG-03"]),
                               ("job-report", STATUS_MS * 2, [])):  # fmt: skip
        topics = Topics()
        for seq in (1, 2):
            topics.hears(seq, message=message, uptime=1 + seq * by, state="on", link=1)
        assert topics.found == found
    for more in (
        {"message": "yard-map"},
        {"message": "node-status", "roles": ["supervisor"], "state": "on", "link": 1},
    ):
        topics = Topics()
        topics.hears(1, **more)
        for seq in (1, 2):
            topics.hears(seq, uptime=1 + seq * STATUS_MS)
        assert topics.found == []


@pytest.mark.parametrize(("us", "found"), [(SETTING_US - 1, []), (SETTING_US, ["MSG-08"])])
def test_an_uptime_that_is_set_may_go_back(us: int, found: list[str]) -> None:
    for act, after, told in (("set-uptime", us, found), ("stimulus", 5, ["MSG-08"])):
        topics = Topics()
        topics.orders(act)
        topics.now += after
        topics.hears(1, uptime=9_000)
        topics.hears(2, uptime=5)
        assert topics.found == told
    topics = Topics()
    topics.orders("set-uptime", "south")
    topics.hears(1, uptime=9_000)
    topics.hears(2, uptime=5)
    assert topics.found == ["MSG-08"]


# ---------------------------------------------------------------- connections
@pytest.mark.parametrize(("link", "found"), [(4, []), (5, []), (6, ["LNK-09"]), (3, ["LNK-09"])])
def test_a_connection_counts_one(link: int, found: list[str]) -> None:
    """LNK-09; where a message is missing one may have ended before anybody heard of it."""
    for lost in (False, True):
        for first in (4, 65_535):
            topics = Topics()
            topics.hears(1, message="node-status", state="on", link=first)
            topics.hears(2 + lost, message="node-status", state="on", link=(first + link - 4) % 65_536)
            assert topics.found == (["MSG-07?"] if lost else found)
    topics = Topics()
    topics.hears(1, message="node-status", state="on", link=4)
    topics.hears(2, message="node-status", state="on", link=9, boot=8)
    assert topics.found == ["MSG-05?"]
    topics.counts.forget()
    topics.hears(9, message="node-status", state="on", link=3, boot=8)
    assert topics.found == []


def test_a_node_that_is_off_is_not_silent() -> None:
    for link, boot, found in ((4, BOOT, []), (3, BOOT, ["MSG-02"]), (4, 8, ["MSG-02"])):
        topics = Topics()
        topics.hears(1, message="node-status", state="on", link=4)
        topics.hears(1)
        topics.number += 1
        will = ReceivedMessage(
            topics.number,
            topics.now,
            "north",
            "node-status",
            "",
            {"boot": boot, "link": link, "state": "off"},
        )
        assert topics.counts.follow(will, b"", topics.breaches) is will
        assert topics.looks(1000 * STATE_MS + SILENCE_GRACE_US + 1) == found
        topics.hears(2, uptime=60_000)
        assert "MSG-02" in topics.looks(100 * SECOND), "it has spoken again"


# ---------------------------------------------------------------- silence
@pytest.mark.parametrize(
    ("message", "most", "requirement"), [("fault", STATE_MS, "MSG-02"), ("node-status", STATUS_MS, "MSG-03")]
)
def test_who_falls_silent_is_told_once(message: str, most: int, requirement: str) -> None:
    """MSG-02 and MSG-03; a recorder hears later than a node speaks."""
    topics = Topics()
    topics.hears(1, message=message, state="on", link=1)
    assert topics.looks(1000 * most + SILENCE_GRACE_US - 499_999) == []
    assert topics.looks(499_999) == [], "it was looked at just before"
    assert topics.looks(1) == [requirement]
    assert (topics.breaches[0].node, topics.breaches[0].since) == ("north", 1)
    assert topics.looks(SECOND) == []
    topics.hears(2, message=message, state="on", link=1, uptime=51_000)
    assert topics.looks(1000 * most + SILENCE_GRACE_US + 1) == [requirement]
    quiet = Topics()
    quiet.hears(1, message="job-report")
    assert quiet.looks(900 * SECOND) == []


def test_a_topic_may_lose_some_while_its_node_speaks_on() -> None:
    topics = Topics()
    topics.hears(1)
    most_us = PATIENCE * 1000 * STATE_MS + SILENCE_GRACE_US
    for us, found in ((most_us, []), (SECOND, ["MSG-02"])):
        topics.now += us - 600_000
        topics.hears(topics.number, message="job-report")
        assert topics.looks(600_000) == found


# ---------------------------------------------------------------- machines
@pytest.mark.parametrize(
    ("message", "before", "after", "found"),
    [
        ("crane-status", {"mode": "ready"}, {"mode": "working"}, []),
        ("crane-status", {"mode": "unhomed"}, {"mode": "working"}, ["CRN-02"]),
        ("train-arrival", {"state": "empty"}, {"state": "admitting"}, []),
        ("train-arrival", {"state": "empty"}, {"state": "leaving"}, ["BER-02"]),
        ("shuttle-status", {"state": "lost"}, {"state": "moving"}, ["SHT-02"]),
        ("train-arrival", {"arrival": 4}, {"arrival": 5}, []),
        ("train-arrival", {"arrival": 65_535}, {"arrival": 0}, []),
        ("train-arrival", {"arrival": 4}, {"arrival": 6}, ["BER-06"]),
        ("train-arrival", {"arrival": 4}, {"arrival": 3}, ["BER-06"]),
        ("shuttle-status", {"stop": 4}, {"stop": 5}, []),
        ("shuttle-status", {"stop": 4}, {"stop": 6}, ["SHT-05"]),
        ("crane-status", {}, {"held": True, "holds": 0}, ["HLD-01"]),
        ("crane-status", {}, {"held": True, "holds": 1}, []),
        ("crane-status", {"held": True}, {"held": True}, []),
        ("crane-status", {"axes": [[0, 0, False]]}, {"axes": [[0, 0, True]]}, ["CRN-11"]),
        (
            "crane-status",
            {"axes": [[0, 0, False]], "mode": "homing"},
            {"axes": [[0, 0, True]], "mode": "homing"},
            [],
        ),
        (
            "crane-status",
            {"axes": [[0, 0, False]], "mode": "working"},
            {"axes": [[0, 0, True]], "mode": "working"},
            [],
        ),
        ("crane-status", {"mode": "working"}, {"job_state": "done", "axes": [[5, 6, True]]}, ["CRN-11"]),
        ("crane-status", {"mode": "working"}, {"job_state": "cancelled", "axes": [[5, 6, True]]}, []),
        ("crane-status", {"mode": "ready"}, {"job_state": "done", "axes": [[5, 6, True]]}, []),
        ("crane-status", {"mode": "working"}, {"job_state": "done", "axes": [[6, 6, True]]}, []),
        ("fault", {}, {"faults": 1}, []),
        ("fault", {}, {"faults": 2}, ["FLT-01"]),
        ("fault", {"faults": 65_535}, {"faults": 0}, []),
        ("fault", {}, {"faults": 2, "active": ["axis-stuck", "power-lost"]}, []),
        ("fault", {}, {"faults": 2, "active": ["axis-stuck"]}, ["FLT-01"]),
        ("fault", {}, {"active": ["axis-stuck"]}, ["FLT-02"]),
        ("fault", {"active": ["axis-stuck"]}, {"active": ["axis-stuck"]}, []),
        ("fault", {}, {"faults": 1, "active": ["bad-message"], "level": "warn"}, ["FLT-03"]),
        ("fault", {}, {"faults": 1, "active": ["bad-message"], "level": "halt"}, []),
        ("fault", {}, {"active": ["bad-message"], "level": "warn"}, []),
    ],
)
def test_from_one_state_to_the_next(
    message: str, before: dict[str, Any], after: dict[str, Any], found: list[str]
) -> None:
    """CRN-02, BER-02, SHT-02, BER-06, SHT-05, HLD-01, CRN-11, FLT-01 to FLT-03."""
    bus = Bus()
    assert bus.says("north", message, **before) == []
    number = bus.number
    bus.says("south", message, **before)
    assert bus.says("north", message, **after) == found
    assert [one.since for one in bus.found] == [number] * len(found)
    for lost in (True, False):
        bus = Bus()
        bus.says("north", message, **before)
        if not lost:
            bus.states.forget()
        assert bus.says("north", message, lost=lost, **after) == []


def test_what_is_beside_its_target_is_named() -> None:
    bus = Bus()
    bus.says("north", "crane-status", mode="working")
    bus.says("north", "crane-status", job_state="done", axes=[[3, 3, True], [5, 6, True], [7, 9, True]])
    assert bus.found[0].what == "is ready after its job at 5, but was sent to 6"
    bus = Bus()
    bus.says("north", "crane-status", axes=[[0, 0, True], [0, 0, False]])
    bus.says("north", "crane-status")
    assert bus.found[0].what == "axis 2 became homed while the crane was 'ready'"


@pytest.mark.parametrize(
    ("message", "state", "found"),
    [("crane-status", {"mode": "ready"}, ["CRN-01"]), ("crane-status", {"mode": "unhomed"}, []),
     ("crane-status", {"mode": "manual"}, []), ("crane-status", {"mode": "faulted"}, []),
     ("train-arrival", {"state": "empty"}, ["BER-01"]), ("train-arrival", {"state": "lost"}, []),
     ("shuttle-status", {"state": "at-place"}, ["SHT-01"]), ("shuttle-status", {"state": "lost"}, [])],
)  # fmt: skip
def test_a_machine_comes_up_as_it_must(message: str, state: dict[str, Any], found: list[str]) -> None:
    """CRN-01, BER-01 and SHT-01: before any order of this boot was handled."""
    bus = Bus()
    assert bus.says("north", message, mark=0, **state) == found
    assert bus.says("north", message, mark=0, **state) == [], "at its first word"
    assert bus.says("north", message, mark=0, lost=True, boot=BOOT + 1, **state) == found
    assert Bus().says("north", message, mark=1, **state) == []


@pytest.mark.parametrize(
    ("mark", "boot", "found"), [(8, BOOT, ["ORD-08"]), (9, BOOT, []), (10, BOOT, []), (0, BOOT + 1, [])]
)
def test_a_mark_never_goes_down_within_a_boot(mark: int, boot: int, found: list[str]) -> None:
    """ORD-08, topic by topic."""
    bus = Bus()
    bus.says("north", "node-status", mark=9)
    assert bus.says("north", "job-report", act="ask", state="done", mark=5) == []
    assert bus.says("north", "node-status", mark=mark, boot=boot, lost=True) == found
    bus.says("north", "node-status", mark=20, boot=boot)
    bus.states.forget()
    assert bus.says("north", "node-status", mark=1, boot=boot) == []
