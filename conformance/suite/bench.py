"""The bench as cases use it: the same whether time is virtual or real."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable
from random import Random

from conformance.oracle.link_log import Log
from conformance.suite.line import Line
from conformance.suite.stalls import Stalls
from protocol.trouble import Trouble


class CannotJudge(Trouble):
    """What is seen cannot be said of the node any more: ends the run, and not only the case at hand."""


class Bench(ABC):
    """One node under test behind a link whose every packet is seen."""

    can_restart = False
    """Whether `restart` works."""
    path_ms = 1300.0
    """What the way to the node and back, and a busy machine, may add to the time of an answer."""
    kind = ""
    """How reports call the bench."""
    line: Line | None = None
    """The serial line that the node is on; None for a node in the network."""
    chance: Random | None
    """Where tokens, claims and boots come from. A token is never used again, not by the next run either [SUP-06],
    so on a real bus it is the operating system; None on virtual time: all comes from the run's seed.
    """

    def __init__(self) -> None:
        self.log = Log()
        self.stalls = Stalls()
        """When the test machine stood still."""
        self.tester_lost = False
        """Whether the tester's own connection to the broker has broken: what then fails is not the node's fault."""

    def damaged(self) -> int:
        """How often something was seen to be lost on the serial line by now; 0 without one."""
        return self.line.log.damaged if self.line is not None else 0

    def line_ms(self, begin_ms: float, end_ms: float) -> float:
        """How long the node's serial line was at work between two instants; 0 without one."""
        return self.line.busy_ms(begin_ms, end_ms) if self.line is not None else 0.0

    def held_up_ms(self, begin_ms: float, end_ms: float) -> float:
        """How much of the time between two instants was not the node's: the test machine stood still, or its line was
        at work.
        """
        return self.stalls.within(begin_ms, end_ms) + self.line_ms(begin_ms, end_ms)

    @property
    @abstractmethod
    def now_ms(self) -> float:
        """Now, on the clock of the log."""

    @abstractmethod
    def publish(self, topic: str, payload: bytes, *, qos: int = 1, retain: bool = False) -> None:
        """Publish towards the node by way of the broker."""

    @abstractmethod
    def deliver_retained(self, topic: str, payload: bytes) -> None:
        """Hand the node a message whose retain flag is set, without leaving one on the broker."""

    @abstractmethod
    def wait(self, happened: Callable[[], bool], within_ms: float) -> bool:
        """Let time pass until `happened` or for `within_ms`; gives what `happened` says at the end."""

    @abstractmethod
    def cut(self) -> None:
        """Cut the node's connection with no DISCONNECT; it may come again at once."""

    def forget(self, keep: int) -> None:
        """Drop all that passed but the newest `keep` packets: a run of hours must not fill the memory."""
        self.log.forget(keep)

    def absence(self) -> str:
        """Since when the node is away, and who closed its connection; empty while it is there, or where not known."""
        return ""

    def ended(self) -> str:
        """How the program of the node has ended by itself, where the kit has started it; '' while it has not."""
        return ""

    def restart(self) -> None:
        """Reset the node as a power failure does. Raises NotImplementedError where `can_restart` is false."""
        raise NotImplementedError
