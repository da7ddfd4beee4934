"""Bugs that show only when the link fails."""

from __future__ import annotations

from collections.abc import Sequence

from protocol.participant import Delivery, Publication
from reference_node.controller.controller import Controller
from tests.faulty_nodes.board import Crash
from tests.faulty_nodes.bugs.registry import bug


@bug("link")
class CountsSeqAnewAfterAReconnect(Controller):
    """The counters live in what is cleared when the connection is made."""

    def connected(self, now_ms: int) -> Sequence[Publication]:
        if self.link:
            self.envelope = self.envelope_class(self.site, self.node, self.boot)
        return super().connected(now_ms)


@bug("link")
class ForgetsItsHoldAtAReconnect(Controller):
    """The hold is kept with the session."""

    def disconnected(self, now_ms: int) -> None:
        super().disconnected(now_ms)
        if self.held:
            self.held, self.holds = False, 0


@bug("link")
class LowersItsMarkAtAReconnect(Controller):
    """Every connection starts with a mark of 0."""

    def disconnected(self, now_ms: int) -> None:
        super().disconnected(now_ms)
        self.mark = 0


@bug("link")
class DoesNotSubscribeAgain(Controller):
    """Reconnects by itself and hears nothing."""

    def subscriptions(self) -> Sequence[tuple[str, int]]:
        return [] if self.link else super().subscriptions()


@bug("link")
class CrashesOnThePacketOfTheOldConnection(Controller):
    """Writes its queue to a socket that is closed."""

    def disconnected(self, now_ms: int) -> None:
        if self.job is not None and self.job.is_open:
            self.broken = True
        super().disconnected(now_ms)

    broken = False

    def connected(self, now_ms: int) -> Sequence[Publication]:
        if self.broken:
            raise Crash("wrote to a closed socket")
        return super().connected(now_ms)


@bug("link", node="ferry")
class StartsItsLastJobAtAReconnect(Controller):
    """'Resume what was going on' takes the last job for one that was."""

    def connected(self, now_ms: int) -> Sequence[Publication]:
        if self.link and self.job is not None and self.job.state in ("done", "cancelled", "failed"):
            self.job = self.job_class(self.job.order, None, self.minor)
        return super().connected(now_ms)


@bug("link")
class CountsConnectionsTwice(Controller):
    """The count goes up when the connection breaks and when it is made."""

    def disconnected(self, now_ms: int) -> None:
        super().disconnected(now_ms)
        self.link += 1


@bug("link")
class ForgetsThatItIsOnline(Controller):
    """After the second connection a stale flag keeps it from publishing."""

    def receive(self, delivery: Delivery, now_ms: int) -> Sequence[Publication]:
        out = super().receive(delivery, now_ms)
        return [] if self.link > 2 else out
