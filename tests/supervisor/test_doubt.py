"""What a node said is in doubt after a silence, after our own connection broke, and where an old boot speaks."""

from __future__ import annotations

import pytest

from protocol.codec import encode
from protocol.participant import Publication
from protocol.site import Encoding
from protocol.specification import specification
from protocol.topics import Topic
from reference_node.supervisor.observe.words import Words
from reference_node.supervisor.plan.goals import Move
from tests.supervisor.one_node import OneNode
from tests.supervisor.terminal import Terminal, believes_only_truth

DAY_MS = 86_400_000
SILENCE_MS = specification().most_ms("state_silence")
GOAL = Move("B2", "stack-n", 3)


def test_after_25_days_of_silence_the_newest_state_is_believed() -> None:
    """A signed difference takes a state of today for one older than that of 25 days ago."""
    node = OneNode()
    session = node.owned()
    node.later(25 * DAY_MS)
    node.job = (node.mark, "running")
    node.state()
    assert session.word("crane-status") is None, "not believed before it has answered"
    assert [body["act"] for body in node.answers()] == ["ask"]
    assert session.owned
    assert not session.idle(), "its newest word says that a job runs"
    assert session.uptime == node.uptime


def test_a_node_that_rested_for_25_days_is_still_believed() -> None:
    """Heard all the time: the report that ended the last order seems to be newer than every state by then."""
    words = Words()
    words.hear("crane-status", {"uptime": 1_000})
    words.settle(2_000)
    assert words.reliable("crane-status") is None
    words.hear("crane-status", {"uptime": 2_500})
    for day in range(1, 60):
        words.hear("crane-status", {"uptime": (2_500 + day * DAY_MS) % 2**32})
        assert words.reliable("crane-status") is not None, day


def test_nothing_but_asks_goes_to_a_node_in_doubt() -> None:
    """An open order is not repeated into the silence, nor into what follows it, before the answer."""
    node = OneNode()
    session = node.owned()
    job = session.order("park", node.now_ms)
    assert [body["act"] for body in node.due()] == ["park"]
    node.later(SILENCE_MS + 100)
    for _ in range(4):
        node.later(1_000)
        assert [body["act"] for body in node.due()] == ["ask"]
    node.state()
    node.later(1_000)
    assert [body["act"] for body in node.due()] == ["ask"]
    node.later(1_000)
    assert [body["act"] for body in node.answers()] == ["ask"]
    assert [body["act"] for body in node.due()] == ["park"], "as it was, with its id and deadline"
    assert job.is_open


def test_an_order_that_never_came_is_not_sent_again_after_25_days() -> None:
    """Its deadline would lie ahead again, as a signed difference, and the node would obey it."""
    node = OneNode()
    session = node.owned()
    job = session.order("park", node.now_ms)
    node.due()
    node.later(25 * DAY_MS)
    node.answers()
    assert session.owned
    session.give_up_silent(node.now_ms)
    sent = node.answers()
    assert [body["act"] for body in sent] == ["claim"]
    assert job.state == "unknown"


def test_who_has_lost_its_own_connection_asks_again() -> None:
    node = OneNode()
    session = node.owned()
    session.unlinked()
    assert [body["act"] for body in node.answers()] == ["ask"]
    assert session.owned


def test_a_higher_mark_in_the_answer_after_a_silence_is_another_supervisors() -> None:
    node = OneNode()
    session = node.owned()
    node.later(SILENCE_MS + 1)
    node.mark += 1 << 20
    node.answers()
    assert session.replaced
    assert node.due() == []


# ---------------------------------------------------------------- an old boot speaks
@pytest.mark.parametrize("heard", [True, False], ids=["heard before", "never heard"])
def test_a_late_message_of_the_old_boot_undoes_nothing(heard: bool) -> None:
    """An order of the new boot stays open, and nothing of the old boot is adopted."""
    node = OneNode(boot=7)
    if heard:
        node.owned()
    node.reset(8)
    session = node.owned_again()
    job = session.order("park", node.now_ms)
    node.due()
    node.boot = 7
    node.state()
    node.boot = 8
    assert session.boot == 8
    assert job.is_open
    assert [body["act"] for body in node.answers()] == ["ask"], (
        "who is there now is asked, and nobody claimed"
    )
    assert session.owned
    node.later(1_000)
    assert node.due() == [job.body]


def test_a_node_that_draws_an_old_number_again_is_believed_once_it_answers() -> None:
    """An erased counter: only the token of our newest ask shows that the number is of now."""
    node = OneNode(boot=7)
    node.owned()
    node.reset(8)
    session = node.owned_again()
    job = session.order("park", node.now_ms)
    node.reset(7)
    node.state()
    assert (session.boot, job.is_open) == (8, True)
    node.owned_again()
    assert (session.boot, job.state) == (7, "unknown")
    assert session.owned


def test_an_old_boot_that_speaks_late_leaves_the_yard_as_it_is() -> None:
    """On the bus: the crane's last words before its reset come again in the middle of the next job."""
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(GOAL,))
    terminal.run_until(lambda: supervisor.sessions["north"].owned)
    terminal.reset("north")
    terminal.run_until(lambda: any(body["boot"] == 2 for body in terminal.orders("north", "transfer")))
    history = len(supervisor.history)
    for message in ("node-status", "crane-status", "fault"):
        body = {**terminal.said("north", message)[0], "boot": 1}
        topic = str(Topic(terminal.site.name, "north", message))
        terminal.bus.publish(Publication(topic, encode(message, body, Encoding.CBOR), 1, retain=False))
    terminal.run_for(2)
    assert supervisor.sessions["north"].boot == 2
    assert not [sent for _, _, sent in supervisor.history[history:] if sent.state == "unknown"]
    assert not [body for body in terminal.orders("north", "claim") if body["boot"] == 1][1:]
    terminal.run_until(lambda: supervisor.finished)
    assert believes_only_truth(supervisor, terminal)


def test_a_yard_with_a_short_silence_goes_on() -> None:
    """The crane's link is gone for ten seconds in the middle of its job; nothing is done twice or believed wrongly."""
    terminal = Terminal()
    supervisor = terminal.supervise(goals=(GOAL,))
    terminal.run_until(
        lambda: bool(terminal.said("north", "job-report")) and bool(terminal.orders("north", "transfer"))
    )
    terminal.bus.cut("north", for_ms=10_000)
    terminal.run_for(SILENCE_MS / 1000 + 0.5)
    before = len(terminal.orders("north", "transfer"))
    terminal.run_for(3)
    assert len(terminal.orders("north", "transfer")) == before
    assert terminal.orders("north", "ask")
    terminal.run_until(lambda: supervisor.finished)
    assert believes_only_truth(supervisor, terminal)
    assert terminal.truth.accidents == []
