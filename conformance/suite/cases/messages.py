"""What state messages say, and how often."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from typing import Any

from conformance.oracle.link_log import Message
from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.fixture import Fixture
from conformance.suite.observation import Observing
from conformance.suite.occasions import EVERYTHING, JOBS, RECONNECT
from conformance.suite.span import see_for
from protocol.counting import uptime_difference

CLOCK_SHARE = 0.05
CLOCK_MS = 250
"""How far a board's clock and its link together may be off: a twentieth and a quarter of a second."""
NOT_A_CHANGE = ("seq", "uptime", "axes", "memory", "mark", "starts")
"""Fields that move by themselves or with every order; the others change only with an event."""


@case("MSG-03", "MSG-02", after=("orders-ask",))
def messages_heartbeat(fixture: Fixture) -> Observing:
    """Left alone, the node repeats every state message in time: node-status slower than the others.

    Sends nothing for as long as a node-status may take, the repeat tolerance included. Other cases that need
    quiet time are judged from the same stretch.
    """
    limit = fixture.repeat_ms("status_repeat")
    quiet = yield limit
    seen = {message.name for message in quiet.heard}
    fixture.check("node-status" in seen, "MSG-03", f"node-status within {limit:.0f} ms", "none")
    fixture.ask()


@case("MSG-02", "MSG-03", after=("orders-ask",), passive=True)
def messages_repeat(fixture: Fixture) -> None:
    """No two messages on a state topic are further apart than allowed, changed or not.

    Judged from every state message of the run, within each connection. A message may come later than allowed by
    the repeat tolerance; a gap in which the test machine stood still is not judged. Of a run that is shorter than a
    node-status may take, the node is left alone for as long and asked.
    """
    see_for(fixture, fixture.repeat_ms("status_repeat"))
    last: dict[tuple[int, str], Message] = {}
    for message in fixture.log.sent():
        if message.name not in fixture.state_topics:
            continue
        name, requirement = (
            ("status_repeat", "MSG-03") if message.name == "node-status" else ("state_repeat", "MSG-02")
        )
        key = message.trace.connection, message.name
        if key in last:
            gap, most = message.at_ms - last[key].at_ms, fixture.repeat_ms(name)
            expected = f"{message.name} within {most:.0f} ms of the one before"
            span = last[key].at_ms, message.at_ms
            fits = gap <= most + fixture.bench.line_ms(*span)
            fixture.in_time(fits, span, requirement, expected, f"{gap:.0f} ms", message)
        last[key] = message


@case("MSG-01", after=("orders-ask",), passive=True, occasions=JOBS)
def messages_changes(fixture: Fixture) -> None:
    """A change of state is published when it happens, not only when it is asked for.

    Judged from every change that a state message tells: of each field more are told by themselves than in the answer to
    an ask. An answer may be the first to tell one, where the ask comes in the moment of the change. Positions, marks
    and counts that move by themselves are left out.
    """
    by_itself: Counter[tuple[str, str]] = Counter()
    asked: Counter[tuple[str, str]] = Counter()
    newest: dict[tuple[str, int], Message] = {}
    example: dict[tuple[str, str], Message] = {}
    since: int | None = None
    answer: dict[str, tuple[Message, list[str]]] = {}
    for message in fixture.log.messages:
        if not message.from_node:
            since = message.number if since is None and message.body.get("act") == "ask" else since
        elif message.is_report("ask"):
            # The answer is the last word of each topic before its report.
            for name, (word, fields) in answer.items():
                told = asked if since is not None and word.number > since else by_itself
                told.update((name, field) for field in fields)
                example |= {(name, field): word for field in fields if told is asked}
            since, answer = None, {}
        elif message.name in fixture.state_topics and message.body:
            key = message.name, message.body["boot"]
            if message.name in answer:
                by_itself.update((message.name, field) for field in answer[message.name][1])
            answer[message.name] = message, _changed(newest.get(key), message)
            newest[key] = message
    for what in (*by_itself, *asked):
        name, field = what
        fits = asked[what] <= by_itself[what]
        expected = f"{name} with another {field} before it was asked for"
        seen = f"it was first told in {asked[what]} answers, and {by_itself[what]} times by itself"
        fixture.check(fits, "MSG-01", expected, seen, example.get(what))


def _changed(before: Message | None, message: Message) -> list[str]:
    if before is None:
        return []
    was, now = _gist(before.body), _gist(message.body)
    return sorted(key for key in was.keys() | now.keys() if was.get(key) != now.get(key))


def _gist(body: Mapping[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in body.items() if key not in NOT_A_CHANGE}


@case("MSG-04", after=("link-says-on",), passive=True, occasions=RECONNECT)
def messages_boot(fixture: Fixture) -> None:
    """Every message of one connection carries the same boot.

    Judged from every message of the run: a boot changes only where the node reconnects.
    """
    boots: dict[int, int] = {}
    for message in fixture.log.sent():
        if "boot" in message.body:
            boot = boots.get(message.trace.connection)
            if boot is None:
                boots[message.trace.connection] = message.body["boot"]
                continue
            fixture.equal(message.body["boot"], boot, "MSG-04", f"boot {boot}", message)


@case("MSG-07", after=("link-says-on",), passive=True, occasions=EVERYTHING)
def messages_seq(fixture: Fixture) -> None:
    """The seq of a message counts the messages of each topic up by one, without gap or repeat.

    Judged from every message of a connection; what a node said while it had no connection is not known.
    """
    last: dict[tuple[int, str], int] = {}
    for message in fixture.log.sent():
        if "seq" not in message.body:
            continue
        key = message.trace.connection, message.topic
        seen = message.body["seq"]
        if key in last:
            expected = (last[key] + 1) % 65536
            fixture.equal(seen, expected, "MSG-07", f"seq {expected} on {message.name}", message)
        last[key] = seen


@case("MSG-08", after=("link-says-on",), passive=True, occasions=RECONNECT)
def messages_uptime(fixture: Fixture) -> None:
    """The uptime never goes back within a boot and goes as fast as the kit's clock.

    Judged from every message of the run, between two set-uptime orders. Allowed is a twentieth and a
    quarter of a second: what a cheap crystal and a slow link may add. Of a run in which a quarter of a second is more
    than a twentieth, the node is left alone for as long and asked.
    """
    see_for(fixture, fixture.stretched(CLOCK_MS / CLOCK_SHARE))
    first: Message | None = None
    last: Message | None = None
    for message in fixture.log.messages:
        if not message.from_node and message.body.get("act") == "set-uptime":
            first = last = None
        if not message.from_node or "uptime" not in message.body:
            continue
        if message.is_report("set-uptime"):
            first = last = None
        if last is not None and first is not None and last.body["boot"] == message.body["boot"]:
            step = uptime_difference(message.body["uptime"], last.body["uptime"])
            fixture.check(
                step >= 0,
                "MSG-08",
                f"uptime of {last.body['uptime']} or more",
                message.body["uptime"],
                message,
            )
            gone = uptime_difference(message.body["uptime"], first.body["uptime"])
            passed = message.at_ms - first.at_ms
            off = abs(gone - passed)
            span = message.at_ms - max(off, 1), message.at_ms  # it may have been on its way for so long
            lines = fixture.bench.line_ms(*span) + fixture.bench.line_ms(
                first.at_ms - max(off, 1), first.at_ms
            )
            fits = off <= CLOCK_SHARE * passed + fixture.stretched(CLOCK_MS) + lines
            fixture.in_time(fits, span, "MSG-08", f"{passed:.0f} ms of uptime", f"{gone} ms", message)
        elif not fixture.bench.stalls.within(message.at_ms - CLOCK_MS, message.at_ms):
            # Not one that was seen late: all others are measured against it.
            first = message
        else:
            first = None
        last = message


@case("ORD-08", "MSG-10", "MSG-11", after=("orders-ask",), passive=True, occasions=EVERYTHING)
def messages_mark(fixture: Fixture) -> None:
    """The mark in any message is never below that of one before it in the same boot.

    Judged from every message of the run that carries a mark.
    """
    marks: dict[int, int] = {}
    for message in fixture.log.sent():
        if "mark" in message.body:
            before = marks.get(message.body["boot"])
            mark = message.body["mark"]
            if before is not None:
                fixture.check(mark >= before, "ORD-08", f"a mark of {before} or more", mark, message)
            marks[message.body["boot"]] = mark


@case("MSG-12", after=("orders-ask",))
def messages_node_status(fixture: Fixture) -> None:
    """The node-status says what the site file says of the node: roles, encodings, digest, receive buffer,
    and the firmware where it names one.

    Asks, and compares. A wrong digest means that the node was built with another site file than this one.
    """
    answer = fixture.ask()
    status = answer.body("node-status")
    node = fixture.node
    wanted: dict[str, Any] = {
        "roles": list(node.roles),
        "reads": node.reads,
        "digest": node.digest,
        "buffer": node.buffer,
    }
    if node.firmware:
        wanted["firmware"] = node.firmware
    for field, expected in wanted.items():
        seen = status.get(field)
        same = sorted(seen) == sorted(expected) if isinstance(seen, list) else seen == expected
        fixture.check(same, "MSG-12", f"{field} {in_words(expected)}", seen, answer.states.get("node-status"))
    minor = status.get("minor", -1)
    fixture.check(minor >= 0, "MSG-12", "a minor version", minor, answer.states.get("node-status"))


@case("ORD-20", "MSG-10", after=("orders-ask",), passive=True, occasions=JOBS)
def messages_agree(fixture: Fixture) -> None:
    """State messages and reports agree on the job: what a report calls final, no later state calls open.

    Judged from every report and state message of the run.
    """
    final: dict[tuple[int, int], str] = {}
    for message in fixture.log.sent():
        body = message.body
        if message.name == "job-report" and body.get("act") in fixture.spec.jobs:
            if body["state"] in ("done", "failed", "cancelled"):
                final[body["boot"], body["id"]] = body["state"]
        elif "job" in body and "job_state" in body:
            known = final.get((body["boot"], body["job"]))
            told = body["job_state"]
            if known is not None:
                fixture.check(known == told, "MSG-10", f"job {body['job']} {known!r}", told, message)
    fixture.occasion(bool(final), "no job came to an end")


@case("MSG-13", after=("orders-ask",), passive=True)
def messages_memory(fixture: Fixture) -> None:
    """A node that can tell its free memory says so in every node-status.

    Judged from every node-status 'on' of the run. Whether a node that never says it could, nobody can see.
    """
    said = [m for m in fixture.log.sent("node-status") if m.body.get("state") == "on"]
    telling = [m for m in said if "memory" in m.body]
    fixture.occasion(bool(telling), "the node does not tell its free memory; perhaps it cannot")
    silent = next((m for m in said if "memory" not in m.body), None)
    fixture.check(silent is None, "MSG-13", "'memory' in every node-status", "one without", silent)
