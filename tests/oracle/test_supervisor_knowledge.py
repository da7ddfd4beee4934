"""What a supervisor can know, from its own end of the link: each sentence with the message that makes it so."""

from __future__ import annotations

from typing import Any

from conformance.oracle.link_log import Log
from conformance.oracle.supervisor_knowledge import JudgedOrder, Known, SupervisorKnowledge
from protocol.codec import encode
from protocol.site import Encoding
from protocol.wire.packet import Publish
from tests.oracle.script import SITE

STATES = ("node-status", "shuttle-status", "fault")
CLAIM = 512


class Line:
    """A supervisor's link: what it sends, and what the ferry's messages tell it."""

    def __init__(self) -> None:
        self.log, self.now = Log(), 0.0
        self.knowledge = SupervisorKnowledge(SITE)
        self.orders: list[JudgedOrder] = []
        self._read = 0

    def hears(
        self, message: str, *, node: str = "ferry", boot: int = 7, retain: bool = False, **fields: Any
    ) -> None:
        """A message of a node is delivered to it."""
        envelope = {"boot": boot, "seq": 0, "uptime": int(self.now), "mark": 0}
        usual: dict[str, dict[str, Any]] = {
            "node-status": {
                "state": "on", "link": 1, "roles": ["shuttle"], "firmware": "line", "minor": 0, "reads": "both",
                "reset": "power-on", "bench": True, "digest": 1, "buffer": 384,
            },
            "shuttle-status": {"held": False, "holds": 0, "state": "lost", "stop": 0, "load": "unsure"},
            "fault": {"active": [], "faults": 0},
            "job-report": {} if fields.get("act") == "ask" else {"order_boot": boot},
        }  # fmt: skip
        body: dict[str, Any] = envelope | usual[message] | fields
        if message == "fault":
            del body["mark"]
        self._pass(node, message, body, from_node=False, retain=retain)

    def off(self) -> None:
        """The ferry's will comes."""
        self._pass("ferry", "node-status", {"boot": 7, "state": "off", "link": 1}, from_node=False)

    def sends(self, act: str, *, boot: int | None = 7, **fields: Any) -> JudgedOrder:
        """It sends an order to the ferry; gives how that is judged."""
        body = {"act": act} | ({"boot": boot} if boot is not None else {}) | fields
        self._pass("ferry", "job-order", body, from_node=True)
        self._take()
        return self.orders[-1]

    @property
    def known(self) -> Known:
        """The ferry, as it can be known by now."""
        self._take()
        return self.knowledge.nodes["ferry"]

    def introduced(self) -> None:
        """An ask was answered with every state."""
        self.sends("ask", boot=None, token=1)
        for message in STATES:
            self.hears(message)
        self.hears("job-report", act="ask", state="done", token=1)

    def claims(self, id_: int = CLAIM) -> None:
        """A claim is sent and answered."""
        self.sends("claim", id=id_)
        self.hears("job-report", act="claim", state="done", id=id_, mark=id_)

    def runs(self, id_: int = CLAIM + 1) -> JudgedOrder:
        """An order to run is sent."""
        return self.sends("run", id=id_, deadline=int(self.now) + 5000, to="quay-s")

    def _take(self) -> None:
        self.orders += self.knowledge.orders(self.log, self._read)
        self._read = self.log.end

    def _pass(
        self, node: str, message: str, body: dict[str, Any], *, from_node: bool, retain: bool = False
    ) -> None:
        self.now += 10
        payload = encode(message, body, Encoding.JSON)
        packet = Publish(f"yw1/{SITE.name}/{node}/{message}", payload, 1, retain, False, 1)
        self.log.add(connection=1, at_ms=self.now, from_node=from_node, size=len(payload), packet=packet)
        assert self.log.messages[-1].body, "the test has to send what can be read"


def test_a_node_has_answered_when_every_state_came_behind_the_ask() -> None:
    line = Line()
    line.sends("ask", boot=None, token=1)
    for message in STATES[:2]:
        line.hears(message)
    line.hears("job-report", act="ask", state="done", token=1)
    assert not line.known.answered
    line.hears("fault")
    line.hears("job-report", act="ask", state="done", token=2)
    assert not line.known.answered, "an answer to an ask of somebody else"
    line.hears("job-report", act="ask", state="done", token=1)
    assert line.known.answered


def test_states_of_before_the_ask_do_not_count() -> None:
    line = Line()
    for message in STATES:
        line.hears(message)
    line.sends("ask", boot=None, token=1)
    line.hears("job-report", act="ask", state="done", token=1)
    assert not line.known.answered


def test_a_retained_message_and_a_will_are_hints() -> None:
    line = Line()
    line.hears("shuttle-status", retain=True)
    line.off()
    assert (line.known.boot, line.known.heard_ms, line.known.words) == (None, None, {})
    line.hears("shuttle-status", mark=3)
    assert (line.known.boot, line.known.heard_ms, line.known.mark) == (7, 30.0, 3)
    line.off()
    assert line.known.heard_ms == 30.0


def test_mark_and_uptime_only_go_up() -> None:
    line = Line()
    line.hears("shuttle-status", mark=5, uptime=900)
    line.hears("shuttle-status", mark=4, uptime=800)
    assert (line.known.mark, line.known.uptime) == (5, 900)


def test_a_new_boot_that_answers_ends_all_but_what_was_asked() -> None:
    line = Line()
    line.introduced()
    line.claims()
    line.runs()
    heard = line.known.heard_ms
    line.hears(
        "job-report", boot=8, order_boot=7, act="claim", state="refused", id=CLAIM, reason="wrong-boot"
    )
    assert (line.known.boot, line.known.heard_ms) == (7, heard), "it may come late"
    assert line.known.doubted is not None
    assert line.known.doubted.requirement == "SUP-28"
    line.sends("ask", boot=None, token=2)
    line.hears("job-report", boot=8, act="ask", state="done", token=2)
    known = line.known
    assert (known.boot, known.earlier, known.heard_ms) == (8, frozenset({7}), None)
    assert (known.owned, known.jobs, known.sent, known.claims, known.words) == (0, {}, {}, {}, {})
    assert (known.answered, known.tokens, known.highest) == (False, {1: set(), 2: set()}, 0)
    assert line.runs().crosses_reset
    assert not line.sends("claim", boot=8, id=CLAIM).crosses_reset


def test_a_claim_is_owned_when_it_is_the_mark() -> None:
    line = Line()
    line.introduced()
    line.sends("claim", id=CLAIM)
    line.hears("job-report", act="claim", state="refused", id=CLAIM, mark=CLAIM + 256, reason="stale")
    assert line.known.owned == 0
    line.hears("job-report", act="claim", state="done", id=CLAIM, mark=CLAIM, order_boot=6)
    assert line.known.owned == 0, "an answer to the order of another boot"
    line.hears("job-report", act="claim", state="done", id=256, mark=256)
    assert line.known.owned == 0, "a claim of somebody else"
    line.hears("job-report", act="claim", state="done", id=CLAIM, mark=CLAIM)
    assert line.known.owned == CLAIM


def test_a_word_counts_when_it_was_said_behind_the_claim() -> None:
    line = Line()
    line.introduced()
    line.hears("shuttle-status", mark=CLAIM)
    assert line.known.word("shuttle-status") is None
    line.claims()
    assert line.known.word("shuttle-status") is not None
    line.hears("shuttle-status", mark=CLAIM - 1)
    assert line.known.word("shuttle-status") is None
    assert line.known.word("crane-status") is None


def test_a_job_is_open_until_its_last_report() -> None:
    line = Line()
    line.introduced()
    line.claims()
    order = line.runs()
    assert (order.moves, order.starts, order.is_new) == (True, True, True)
    assert list(line.known.jobs) == [CLAIM + 1]
    for act, state, boot in (("run", "running", 7), ("admit", "done", 7), ("run", "done", 6)):
        line.hears("job-report", act=act, state=state, id=CLAIM + 1, order_boot=boot, load="unsure")
        assert list(line.known.jobs) == [CLAIM + 1], (act, state, boot)
    line.hears("job-report", act="cancel", state="cancelled", id=CLAIM + 1, load="unsure")
    assert line.known.jobs == {}
    again = line.runs()
    assert (again.is_new, again.starts, again.moves) == (False, False, True)
    assert line.known.jobs == {}, "a repeat opens nothing"
    assert line.known.sent[CLAIM + 1].number < line.known.last[CLAIM + 1].number == again.message.number


def test_what_stands_below_a_newer_claim_can_be_given_up() -> None:
    line = Line()
    line.introduced()
    line.claims()
    line.runs(CLAIM + 1)
    line.sends("claim", id=2 * CLAIM)
    line.runs(2 * CLAIM + 1)
    assert line.known.highest == 2 * CLAIM + 1
    line.hears("job-report", act="claim", state="done", id=2 * CLAIM, mark=2 * CLAIM)
    assert list(line.known.jobs) == [2 * CLAIM + 1]


def test_an_order_for_a_boot_that_is_not_known_is_not_entered() -> None:
    line = Line()
    line.introduced()
    assert line.sends("resume", boot=9, id=CLAIM, holds=1).act == "resume"
    assert line.known.sent == {}
    assert not line.sends("resume", id=CLAIM, holds=1).moves
    assert (list(line.known.sent), line.known.jobs) == ([CLAIM], {})


def test_orders_are_given_up_to_a_trace_and_no_further() -> None:
    line = Line()
    for token in (1, 2, 3):
        line._pass("ferry", "job-order", {"act": "ask", "token": token}, from_node=True)
    given = SupervisorKnowledge(SITE).orders(line.log, 1, until=2)
    assert [order.body["token"] for order in given] == [2]


def test_nobody_outside_the_site_is_known() -> None:
    line = Line()
    line._pass("stranger", "job-order", {"act": "ask", "token": 1}, from_node=True)
    assert list(line.knowledge.orders(line.log, 0)) == []
    assert "ferry" in line.knowledge.nodes
    assert not any(SITE.nodes[name].is_supervisor for name in line.knowledge.nodes)
    assert line.knowledge.nodes["ferry"].states == frozenset(STATES)
    assert line.knowledge.nodes["north"].states == {"node-status", "crane-status", "fault"}


def test_orders_of_somebody_else_are_not_its_own() -> None:
    line = Line()
    line._pass("ferry", "job-order", {"act": "ask", "token": 1}, from_node=False)
    assert list(line.knowledge.orders(line.log, 0)) == []
    assert line.known.tokens == {}
