"""What a node's line or the test machine itself held up is not held against the node, and nothing else is forgiven."""

from __future__ import annotations

from collections.abc import Callable

from conformance.oracle.finding import Oracle
from tests.oracle.script import Script

Between = Callable[[float, float], float]


def overlaps(begin_ms: float, end_ms: float) -> Between:
    """Between two instants: how much of that lies between these two."""
    return lambda begin, end: max(0.0, min(end, end_ms) - max(begin, begin_ms))


def burst(script: Script) -> None:
    """Six asks, fifty milliseconds apart, of which the node's buffer keeps four; and one more, which is answered."""
    tokens = []
    for _ in range(6):
        script.wait(50)
        tokens.append(script.ask())
    for token in tokens[:4]:
        script.comes_up()
        script.says("job-report", act="ask", state="done", token=token)
    script.wait(500)
    script.fence()


def test_orders_that_came_all_at_once_because_it_stood_still_may_be_lost() -> None:
    """The kit sent them at the promised rate, and a board that waited for a processor got them in one breath."""
    script = Script(rate=20, stalled=overlaps(20, 330))
    burst(script)
    assert script.words() == ""


def test_orders_that_came_at_the_promised_rate_may_not() -> None:
    script = Script(rate=20)
    burst(script)
    assert ("ORD-01", Oracle.ANSWER) in script.found()


def answered_after(script: Script, ms: float) -> None:
    script.order("claim", boot=script.boot, id=5)
    script.wait(ms)
    script.comes_up()
    script.mark = 5
    script.report("claim", 5)


def test_an_answer_may_take_the_time_of_its_line_too() -> None:
    script = Script(carried=overlaps(0, 2000))
    answered_after(script, 2500)
    assert script.words() == ""


def test_an_answer_may_take_no_longer_than_that() -> None:
    script = Script(carried=overlaps(0, 500))
    answered_after(script, 2500)
    assert ("ORD-01", Oracle.ANSWER) in script.found()


def test_a_connection_lost_while_the_test_machine_stood_still_is_no_fault_of_the_node() -> None:
    """Its gateway was silent for longer than a board may wait for it [SER-06]."""
    for stalled, wanted in ((overlaps(12_000, 16_000), False), (overlaps(0, 0), True)):
        script = Script(stalled=stalled)
        for _ in range(20):
            script.wait(800)
            script.shuttle_says()
            script.fault_says()
        script.status_says()
        script.connection += 1
        script._seqs.clear()
        script.status_says(link=4)
        script.comes_up()
        assert (("LNK-03", Oracle.CONNECTION) in script.found()) is wanted, script.words()
