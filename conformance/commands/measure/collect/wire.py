"""A measurement on a bus: the supervisor's host, the person's words, and what is said at the end."""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager, suppress
from queue import Empty, Queue

import click

from conformance.bench.connection.address import Address
from conformance.commands.measure.collect.keys import TerminalKeys
from conformance.commands.measure.options import tell
from protocol.caution import KEEP_CLEAR
from protocol.participant import Participant, Publication
from protocol.site import Site
from protocol.wire.mqtt import monotonic_ms
from reference_node.measuring.course import Course
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.measuring.plan import Found, Phase, Plan
from reference_node.measuring.simulated_person import Eye

LOOK_S, CALL_S = 0.05, 10.0
HOLD_S = 1.0
"""How long the end waits for nodes to say that they are held; and to say that they are not."""
FREE_S = 3.0


class Session:
    """One measurement with one person, on one broker."""

    def __init__(
        self, site: Site, bus: Address, plan: Plan, found: Callable[[Found], None], eye: Eye | None
    ) -> None:
        chance = random.SystemRandom()
        name = site.with_role("supervisor")[0].name
        berth = site.places[plan.place].node
        self.supervisor = MeasuringSupervisor(
            site, name, nodes=(plan.crane, berth), boot=chance.getrandbits(16), rng=chance,
            started_ms=monotonic_ms(),
        )  # fmt: skip
        self._lines: list[str] = []
        self.course = Course(self.supervisor, plan, found, self._lines.append)
        self._host, self._eye = bus.client(self.supervisor), eye
        self._seen: object = None

    @contextmanager
    def running(self) -> Iterator[None]:
        """On the broker; whatever ends the block, what may be at work is held. Raises Trouble."""
        self._host.start()
        with ExitStack() as stack:
            stack.callback(self._host.stop)
            try:
                yield
            except BaseException:
                if not self.course.ended:
                    self._stopped()
                raise

    def _stopped(self) -> None:
        told = "no hold could be sent: whatever was at work may still move"
        with suppress(Exception):  # Whatever it is, the command ends.
            self._do(lambda: self.course.stop("stopped"), HOLD_S)
            told = self.last_words()
        with suppress(OSError):
            for line in (told, KEEP_CLEAR.format(it="all machines and tracks")):
                click.echo(line, err=True)

    def tell_later(self, line: str) -> None:
        """A line for the person, with the next look around."""
        self._lines.append(line)

    # ------------------------------------------------------------ going on
    def go_on(self, words: Sequence[str]) -> None:
        """Say `words`, look around, and tell the person what is new. Raises what ended the host's thread."""
        if self._host.failure is not None:
            raise self._host.failure

        def work() -> None:
            for word in words:
                self.course.say(word)
            self.course.go_on()

        self._do(work, CALL_S)
        self._look()
        lines, self._lines[:] = list(self._lines), []
        for line in lines:
            tell(line)

    def _do(self, work: Callable[[], None], within_s: float) -> None:
        def do(_participant: Participant, now_ms: int) -> Sequence[Publication]:
            work()
            # At once: a hold does not wait for the next look around.
            return self.supervisor.tick(now_ms) if self.supervisor.linked else ()

        self._host.call(do, within_s)

    def _look(self) -> None:
        """In a simulated yard: what a person would see at the crane."""
        if self._eye is None or self.course.phase is not Phase.AT_REST:
            self._seen = None
            return
        if self._seen is None:
            off = self._eye.off()
            if off is not None:
                self._seen = off
                self._lines.append(f"(you see: the crane has to go {off:+.1f} still)")

    # ------------------------------------------------------------ the end
    def last_words(self) -> str:
        """Wait a moment for what the nodes say to the last holds or resumes; gives what became of them."""
        course, holds = self.course, self.supervisor.holds
        wanted = list(course.gates.near)

        def settled() -> bool:
            if course.stays_held:
                return all(name in holds.obeyed for name in wanted)
            return not any(one.open for one in self.supervisor.sessions.values())

        end = time.monotonic() + (HOLD_S if course.stays_held else FREE_S)
        while time.monotonic() < end and not settled():
            time.sleep(LOOK_S)
        if not course.stays_held:
            return "" if settled() else "not every node has said that it goes on"
        held = [name for name in wanted if name in holds.obeyed]
        told = f"held: {', '.join(held) or 'none'}"
        missing = [name for name in wanted if name not in held]
        if missing:
            told += f"; told to hold, and has not said that it does: {', '.join(missing)}: it may still move"
        return told


class Lines:
    """Words by the line. Of a script, each waits for the one before to be done; a hold never waits."""

    def __init__(self, lines: Queue[str | None], *, script: bool) -> None:
        self._lines, self._script = lines, script
        self._waiting: list[str] = []
        self._over = False

    def due(self, course: Course) -> list[str]:
        """What is said now."""
        found: list[str] = []
        with suppress(Empty):
            while True:
                line = self._lines.get_nowait()
                self._over |= line is None
                if line is not None:
                    (found if self._at_once(line) else self._waiting).append(line)
        if self._waiting and course.takes_words:
            found.append(self._waiting.pop(0))
        elif self._over and not self._waiting and course.takes_words:
            found.append("quit")  # Nobody is there any more.
        if not found:
            time.sleep(LOOK_S)
        return found

    def _at_once(self, line: str) -> bool:
        return not self._script or line.strip().lower() == "hold"


class Pressed:
    """Words by the key. A jog while it moves is not kept for later."""

    def __init__(self, keys: TerminalKeys) -> None:
        self._keys = keys

    def due(self, _course: Course) -> list[str]:
        """What is said now."""
        return ["quit"] if self._keys.gone else self._keys.pressed(LOOK_S)


def run(session: Session, words: Lines | Pressed) -> None:
    """Until it is over."""
    while not session.course.ended:
        session.go_on(words.due(session.course))
    told = session.last_words()
    session.go_on(())
    if told:
        tell(told)
