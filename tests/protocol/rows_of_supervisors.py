"""Stories of what a supervisor believes of a node, that take rows of its tables which no scenario takes."""

from __future__ import annotations

from collections.abc import Mapping
from random import Random
from typing import Any

from protocol.counting import CLAIM_SPREAD
from reference_node.supervisor.observe.session import RESERVE, Session
from tests.protocol.rows_of_nodes import LONG_MS, SITE


class Line:
    """A session with one node, and what that node says to it."""

    def __init__(self) -> None:
        self.session = Session(SITE.nodes["siding"], Random(1))
        self.now_ms, self.boot, self.mark = 0, 1, 0
        self.sent: list[Mapping[str, Any]] = []

    def say(self, message: str, *, retain: bool = False, **fields: Any) -> None:
        self.now_ms += 1
        body = {"boot": self.boot, "uptime": self.now_ms, "mark": self.mark, **fields}
        self.session.hear(message, body, retain=retain, now_ms=self.now_ms)

    def report(self, act: str, state: str, **fields: Any) -> None:
        self.say("job-report", act=act, state=state, order_boot=self.boot, **fields)

    def due(self, after_ms: int = 0) -> list[Mapping[str, Any]]:
        self.now_ms += after_ms
        self.sent = list(self.session.due(self.now_ms))
        return self.sent

    def tell_all(self) -> None:
        self.say("node-status", state="on")
        self.say("train-arrival")
        self.say("fault")

    def answer(self) -> None:
        (ask,) = self.due(LONG_MS) if not self.sent or self.sent[-1]["act"] != "ask" else [self.sent[-1]]
        self.tell_all()
        self.report("ask", "done", token=ask["token"])

    def own(self) -> None:
        """Have the claim that is due answered with itself."""
        claim = next(one for one in self.due(1_000) if one["act"] == "claim")
        self.mark = claim["id"]
        self.report("claim", "done", id=claim["id"])
        assert self.session.owned

    def settle_boot(self) -> None:
        """Another boot has spoken: it is believed by an answer, and then asked for all that it has to say."""
        for _ in range(2):
            self.due()
            self.answer()

    def order(self, act: str = "depart", **fields: Any) -> int:
        sent = self.session.order(act, self.now_ms, **fields)
        self.due()
        return sent.id


def owned() -> Line:
    line = Line()
    line.due()
    line.answer()
    line.own()
    return line


def belief_before_it_is_owned() -> None:
    """Hints, asks, answers that are none, claims that are not obeyed, boots in between."""
    line = Line()
    line.say("fault", retain=True)
    line.say("fault", retain=True)
    line.due()
    line.due(LONG_MS)
    line.report("ask", "done", token=1)  # somebody else's
    line.report("ask", "done", token=line.sent[-1]["token"])  # the states are missing
    line.boot = 2
    line.say("fault")  # another boot while asked
    line.settle_boot()
    line.session.unlinked()  # our own connection while answered
    line.due()
    line.answer()
    line.boot = 4
    line.say("fault")  # while answered
    line.settle_boot()
    line.due()
    line.session.unlinked()  # while claiming
    line.due()
    line.answer()
    line.due()
    line.boot = 5
    line.say("fault")  # while claiming
    line.settle_boot()
    claim = line.due()[-1]
    line.due(1_000)  # the claim again
    line.mark = claim["id"]
    line.report("claim", "done", id=claim["id"], claimant=claim["token"] ^ 1)
    assert line.session.belief == "asked"
    line.due()
    line.answer()
    claim = line.due()[-1]
    line.report("claim", "refused", id=claim["id"])
    line.mark = claim["id"] + 5
    line.report("claim", "refused", id=claim["id"])
    assert line.session.belief == "asked"


def belief_of_a_node_that_is_owned() -> None:
    """An 'off', silence, ids used up, a job given up, another boot, another supervisor."""
    line = owned()
    line.say("node-status", state="off")
    line.due(LONG_MS)
    assert line.session.belief == "doubted"
    line.report("ask", "done", token=1)  # somebody else's
    line.report("ask", "done", token=line.sent[-1]["token"])  # the states are missing
    line.say("fault", retain=True)
    line.due(LONG_MS)
    line.answer()
    while line.session.ids_left() > RESERVE:
        line.report("depart", "done", id=line.order())
    line.own()
    job = line.session.order("depart", line.now_ms)
    line.session.give_up(job)
    claim = next(one for one in line.due() if one["act"] == "claim")
    line.mark = claim["id"] + CLAIM_SPREAD
    line.tell_all()
    assert line.session.replaced
    line = owned()
    token, line.boot = line.session._token, 2
    line.report("ask", "done", token=token)  # an answer that a reset has outrun
    line = owned()
    line.due(LONG_MS)
    line.mark += CLAIM_SPREAD
    line.tell_all()
    assert line.session.replaced
    line = owned()
    line.boot = 2
    line.say("fault")
    line.say("fault")  # another boot while in doubt
    line.settle_boot()
    line.own()
    line.mark += CLAIM_SPREAD
    line.tell_all()
    assert line.session.replaced


def orders_of_a_supervisor() -> None:
    """Every state of an order meets its repeat, every report, another boot, giving up, and the loss of the bus."""
    ways = ((), ("accepted",), ("accepted", "running"))
    for way in ways:
        for end in (
            "accepted",
            "running",
            "done",
            "failed",
            "cancelled",
            "refused",
            "stale",
            "boot",
            "given-up",
        ):
            line = owned()
            id_ = line.order()
            for state in way:
                line.report("depart", state, id=id_)
            line.due(1_000)
            if end == "boot":
                line.boot = 2
                line.say("fault")
                line.due()
                line.answer()
            elif end == "given-up":
                job = line.session.job
                assert job is not None
                line.session.give_up(job)
                line.own()
            else:
                state, reason = ("refused", "stale") if end == "stale" else (end, "busy")
                line.report("depart", state, id=id_, reason=reason)
        line = owned()
        id_ = line.order("resume", holds=1)
        for state in way:
            line.report("resume", state, id=id_)
        line.session.unlinked()
    line = owned()
    line.report("depart", "running", id=line.order())
