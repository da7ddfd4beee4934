"""Resetting a real board: by a command that the user gives, or by the hand of a person at the terminal.

Both end when the board's next CONNECT is seen, so that a case never waits longer than the board takes.
"""

from __future__ import annotations

import shlex
import subprocess
from collections.abc import Callable
from tempfile import TemporaryFile
from typing import TYPE_CHECKING

from conformance.bench.processes.child import Child
from conformance.suite.verdict import Unclear
from protocol.trouble import Trouble
from protocol.wire.packet import Connect

if TYPE_CHECKING:
    from conformance.bench.tap.tap import Tap
    from protocol.wire.evidence import LinkPacket

COMMAND_SECONDS = 60.0
PERSON_SECONDS = 120.0
RETURN_SECONDS = 60.0
"""How long a board may take from power to its CONNECT: one on Wi-Fi has to find its network first."""
LOOK = (
    "look whether the command takes its power away and gives it back, and whether it connects by itself then"
)
AGAIN = (
    "its power was not taken away and given back, or it did not connect again; run this again and do that when it is "
    "asked for, or give --reset-command"
)


class Reset:
    """Takes the board's power away and gives it back, and waits until it connects again."""

    def __init__(
        self, tap: Tap, cycle: Callable[[], None], within_s: float = RETURN_SECONDS, next_: str = LOOK
    ) -> None:
        """`cycle` does it, or asks for it; the board's CONNECT may come while it is at it.

        `next_` says what to do where the CONNECT does not come.
        """
        self._tap, self._cycle, self._within_s, self._next = tap, cycle, within_s, next_

    def __call__(self) -> None:
        """Reset it. Raises Unclear where it could not be done or the board does not connect in time."""
        before = max((seen.number for seen in self._tap.evidence), default=0)
        self._cycle()
        if self._tap.wait_for(_connects, self._within_s, before) is None:
            raise Unclear(f"the board did not connect within {self._within_s:g} s of its reset: {self._next}")


def _connects(seen: LinkPacket) -> bool:
    return seen.from_node and isinstance(seen.packet, Connect)


def command(line: str, within_s: float = COMMAND_SECONDS) -> Callable[[], None]:
    """What runs the user's command, words split as a shell does and no shell behind it.

    Raises Trouble where the line is none. What it gives raises Unclear where the command does not end well.
    """
    try:
        words = shlex.split(line)
    except ValueError as error:
        raise Trouble(f"the reset command cannot be read: {error}", where=line) from error
    if not words:
        raise Trouble("the reset command is empty", fix="Name a program that power-cycles the board")

    def cycle() -> None:
        with TemporaryFile() as output:
            try:
                running = Child(words, stdout=output, stderr=output, with_all=False)
            except OSError as error:
                raise Unclear(f"the reset command {words[0]!r} cannot be run: {error.strerror}") from error
            try:
                code = running.wait(within_s)
            except subprocess.TimeoutExpired as error:
                raise Unclear(
                    f"the reset command did not end within {within_s:g} s: it has to return while the board runs on; "
                    "one that starts a program starts it in the background"
                ) from error
            finally:
                running.end()
            if code:
                output.seek(0)
                said = output.read().decode(errors="replace").strip()[-200:]
                raise Unclear(f"the reset command ended with {code}: {said}")

    return cycle


def request(tell: Callable[[str], None], node: str, within_s: float = PERSON_SECONDS) -> Callable[[], None]:
    """What asks a person for it. Nothing has to be typed: the board's CONNECT is the answer."""

    def cycle() -> None:
        wanted = (
            f"Take the power of {node!r} away and give it back now (within {within_s:g} s; nothing to type)."
        )
        tell(f"{wanted} A program: end it with Ctrl-C, and start it again.")

    return cycle
