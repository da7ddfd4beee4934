"""One node as a subscriber hears it, word by word: what its judge is given and told, and what is kept of it."""

from __future__ import annotations

from collections import Counter
from typing import Any

import pytest

from conformance.oracle import heard_node
from conformance.oracle.finding import Finding, Oracle
from conformance.oracle.heard_node import KEPT, MOST
from conformance.oracle.link_log import Log
from tests.oracle.script import SITE
from tests.oracle.test_a_node_as_it_is_heard import FERRY, Bus, known

SECOND = 1_000_000


class Judge:
    """Stands for the judge: it keeps what it was asked, and reads the log up to its end."""

    def __init__(self, log: Log, *_: Any, **how: Any) -> None:
        self.log, self.how = log, how
        self.asked: list[Any] = []
        self.findings: list[Finding] = []
        self.judged = Counter[str]()
        self.lost = False
        self.read = 0

    def take(self) -> None:
        self.read = self.log.end

    def went_on(self) -> None:
        self.asked.append("went on")

    def settle(self, before_ms: float) -> None:
        self.asked.append(before_ms)

    def missed_reports(self, at_ms: float) -> None:
        self.asked.append(("missed", at_ms))


class Heard(Bus):
    """A bus whose judge is such a one."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.judges: list[Judge] = []

        def judge(*all_: Any, **how: Any) -> Judge:
            self.judges.append(Judge(*all_, **how))
            return self.judges[-1]

        monkeypatch.setattr(heard_node, "NodeJudge", judge)
        super().__init__()
        [self.judge] = self.judges

    @property
    def gaps(self) -> int:
        """What the judge sees of gaps: another number for each."""
        return int(self.judge.how["damaged"]())

    @property
    def connections(self) -> list[int]:
        """The connection of each message that was handed on."""
        return [trace.connection for trace in self.judge.log.traces]

    def settled(self) -> list[Any]:
        """What the judge was asked since the last time."""
        asked, self.judge.asked = self.judge.asked, []
        return asked


@pytest.fixture
def heard(monkeypatch: pytest.MonkeyPatch) -> Heard:
    return Heard(monkeypatch)


# ---------------------------------------------------------------- what the log holds
def test_the_judge_knows_that_it_listens_and_that_something_is_missing_at_first(heard: Heard) -> None:
    assert heard.judge.how["listening"] is True
    assert heard.gaps != 0, "all that was before is missing"
    assert heard.node.judged is heard.judge.judged


def test_a_word_is_entered_as_it_was_heard(heard: Heard) -> None:
    heard.order("hold")
    heard.says("node-status")
    order, word = heard.judge.log.messages
    assert (order.from_node, order.at_ms, order.name, order.body) == (
        False,
        1_001.0,
        "job-order",
        {"act": "hold"},
    )
    assert (word.from_node, word.at_ms, word.name) == (True, 1_002.0, "node-status")
    assert word.trace.size == len(word.payload) > 0
    packet = word.trace.packet
    assert (packet.topic, packet.payload) == (word.topic, word.payload)  # type: ignore[union-attr]
    for one in (order, word):
        assert (one.qos, one.retain, one.findings) == (0, False, ()), (
            "a subscriber hears no flag of the sender's"
        )
        assert (one.trace.packet.qos, one.trace.packet.retain) == (0, False)  # type: ignore[union-attr]
        assert not one.trace.packet.dup  # type: ignore[union-attr]


def test_its_traces_are_numbered_as_the_log_counts_them(heard: Heard) -> None:
    heard.order("hold")
    heard.comes_up()
    log = heard.judge.log
    assert [one.number for one in log.traces] == [1, 2, 3, 4]
    assert log.end == log.traces[-1].number


def test_a_log_at_its_most_is_cut_once_all_of_it_was_read(heard: Heard) -> None:
    """Orders that nobody answers grow it too."""
    for _ in range(MOST):
        heard.order("hold")
    assert (len(heard.judge.log.traces), heard.judge.read) == (MOST, 0)
    heard.order("hold")
    assert (len(heard.judge.log.traces), heard.judge.read) == (KEPT, MOST + 1)


def test_an_order_that_many_came_behind_is_still_known() -> None:
    """ORD-16: a run ends where it was sent to; between the order and its end the node is silent."""
    bus = known()
    bus.order("run", boot=7, id=256, deadline=bus.now // 1000 + 60_000, to="quay-s")
    for token in range(MOST + 1):
        bus.order("ask", token=token + 1)
    bus.mark = 256
    job: dict[str, Any] = {"job": 256, "load": "unsure"}
    bus.says("shuttle-status", **job, job_state="running", state="moving")
    bus.says("shuttle-status", **job, job_state="done", stop=2, place="quay-n")
    bus.comes_up(**job, job_state="done", stop=2, place="quay-n")
    bus.comes_up(**job, job_state="done", stop=2, place="quay-n")
    assert "ORD-16" in bus.told()


# ---------------------------------------------------------------- connections
@pytest.mark.parametrize("boot", [0, 1, 7])
def test_its_first_word_is_of_another_connection_than_what_was_heard_before(heard: Heard, boot: int) -> None:
    """LNK-09: 'link' counts the connections of a boot."""
    heard.boot = boot
    heard.order("hold")
    heard.says("node-status", link=4)
    heard.says("node-status", link=4)
    assert heard.connections == [1, 2, 2]
    heard.says("node-status", link=5)
    heard.says("fault")
    heard.order("hold")
    assert heard.connections[3:] == [3, 3, 3]


def test_a_boot_that_speaks_before_its_status_is_one_connection(heard: Heard) -> None:
    """MSG-04: boot is the same in all messages of one boot."""
    heard.comes_up(link=2)
    before, heard.boot = heard.gaps, 8
    heard.says("fault")
    assert heard.gaps != before, "what the old boot said last may be lost"
    before = heard.gaps
    heard.says("node-status", link=2)
    heard.says("fault")
    assert (heard.connections, heard.gaps) == ([2, 2, 2, 3, 3, 3], before)
    heard.says("node-status", link=3)
    assert heard.connections[-1] == 4, "the status before told its count"


def test_a_will_that_is_heard_first_ends_nothing(heard: Heard) -> None:
    """LNK-04: a will carries the boot and the connection count of the connection that it ends."""
    heard.node.said(heard.heard("node-status", {"boot": 7, "link": 1, "state": "off"}))
    assert heard.connections == []
    heard.comes_up()
    assert heard.connections == [2, 2, 2]


def test_a_will_ends_its_connection_and_no_gap_comes_of_it(heard: Heard) -> None:
    heard.comes_up()
    before = heard.gaps
    for link in (1, 2):
        heard.node.said(heard.heard("node-status", {"boot": 7, "link": link, "state": "off"}))
    heard.says("fault")
    heard.says("node-status")
    assert heard.connections == [2, 2, 2, 3, 3], "though another will came behind it"
    assert heard.gaps == before


# ---------------------------------------------------------------- whose site file it is
def test_what_was_known_before_another_site_file_is_forgotten(heard: Heard) -> None:
    """SUP-20: the digest is that of the node's part of the site file."""
    heard.comes_up()
    assert heard.settled() == [], "at first nothing is forgotten"
    before = heard.gaps
    heard.says("node-status", digest=FERRY.digest ^ 1)
    heard.says("fault")
    heard.order("hold")
    assert (heard.settled(), heard.gaps, len(heard.connections)) == ([], before, 3)
    heard.says("node-status")
    assert heard.settled() == ["went on"]
    assert heard.gaps != before
    before = heard.gaps
    heard.says("node-status")
    assert (heard.settled(), heard.gaps) == ([], before)


# ---------------------------------------------------------------- reports that nobody heard
@pytest.mark.parametrize("how", [{"first": True}, {"new_boot": True}])
def test_before_the_first_report_that_is_heard_others_may_have_been_said(
    heard: Heard, how: dict[str, bool]
) -> None:
    """ORD-02: the answers come in the order of what came."""
    heard.comes_up()
    report = {"act": "claim", "id": 256, "state": "done", "order_boot": 7}
    heard.says("job-report", how={}, **report)
    assert heard.settled() == []
    heard.says("job-report", how=how, **report)
    assert heard.settled() == [("missed", heard.now / 1000)]
    heard.says("fault", how=how)
    assert heard.settled() == []


# ---------------------------------------------------------------- when a gap is settled
def test_six_seconds_after_a_gap_what_is_older_than_three_is_settled(heard: Heard) -> None:
    heard.says("fault")
    heard.comes_up()
    begin = heard.now - 2_000
    heard.now = begin + 6 * SECOND - 1_001
    heard.says("fault")
    assert heard.settled() == []
    heard.now = begin + 6 * SECOND - 1_000
    heard.says("fault")
    assert heard.settled() == [(begin + 3 * SECOND) / 1000]
    heard.says("fault")
    assert heard.settled() == [(begin + 3 * SECOND) / 1000 + 1], "and so on"


def test_each_gap_begins_the_time_anew(heard: Heard) -> None:
    heard.comes_up()
    heard.wait(5 * SECOND)
    heard.says("fault", how={"lost": True})
    begin = heard.now
    heard.now = begin + 6 * SECOND - 2_000
    heard.says("fault")
    assert heard.settled() == []
    heard.says("fault")
    assert heard.settled() == [(begin + 3 * SECOND) / 1000]


def test_a_judge_that_has_lost_the_node_begins_it_once(heard: Heard) -> None:
    heard.comes_up()
    heard.wait(5 * SECOND)
    heard.judge.lost = True
    heard.says("fault")
    begin = heard.now
    heard.wait(4 * SECOND)
    heard.says("fault")
    assert heard.settled() == []
    heard.now = begin + 6 * SECOND - 1_000
    heard.says("fault")
    assert heard.settled() == [(begin + 3 * SECOND) / 1000]
    heard.judge.lost = False
    heard.says("fault")
    heard.judge.lost, heard.judge.asked = True, []
    heard.says("fault")
    assert heard.settled() == [], "lost again"


# ---------------------------------------------------------------- what is not sure yet
def finds(heard: Heard, requirement: str) -> None:
    """The judge finds this at the next word."""
    heard.judge.findings.append(Finding(requirement, "as a test says", Oracle.MARK, 0))


@pytest.mark.parametrize("requirement", ["MSG-02", "MSG-03", "MSG-07", "MSG-08", "ORD-08"])
def test_what_the_counts_tell_is_left_to_them(heard: Heard, requirement: str) -> None:
    heard.comes_up()
    finds(heard, requirement)
    heard.says("fault")
    number, at_us = heard.number, heard.now
    heard.comes_up()
    found = heard.node.sure(heard.now)
    assert [(one.requirement, one.what, one.number, one.at_us) for one in found] == (
        [("ORD-08", "as a test says", number, at_us)] if requirement == "ORD-08" else []
    )
    assert heard.judge.findings == []
    heard.comes_up()
    assert heard.told() == [], "once"


def test_each_doubt_waits_for_its_own_topics(heard: Heard) -> None:
    """All state topics of the node, and ten seconds at most."""
    heard.comes_up()
    finds(heard, "ORD-08")
    heard.says("fault")
    begin = heard.now
    heard.says("node-status")
    finds(heard, "HLD-01")
    heard.says("shuttle-status")
    assert heard.told() == []
    heard.says("fault")
    assert heard.told() == ["ORD-08"]
    heard.says("node-status")
    assert heard.told() == []
    second = begin + 2_000
    assert heard.node.sure(second + 10 * SECOND) == []
    assert [one.requirement for one in heard.node.sure(second + 10 * SECOND + 1)] == ["HLD-01"]


def test_a_gap_ends_every_doubt(heard: Heard) -> None:
    heard.comes_up()
    finds(heard, "ORD-08")
    heard.says("fault")
    heard.node.forget()
    assert heard.node.sure(heard.now + 99 * SECOND) == []


def test_only_the_site_tells_which_topics_a_node_has() -> None:
    assert Bus().node._topics == {"node-status", "shuttle-status", "fault"}
    assert heard_node.HeardNode(SITE, "north")._topics == {"node-status", "crane-status", "fault"}
