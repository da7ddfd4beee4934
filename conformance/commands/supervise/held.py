"""The hold of a supervisor that ends while nodes may be at work."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from protocol.caution import outcome_of_hold
from protocol.wire.fail_stop import check

if TYPE_CHECKING:
    from protocol.participant import Participant, Publication
    from protocol.wire.mqtt import MqttHost
    from reference_node.supervisor.supervisor import Supervisor

HOLD_S, LOOK_S = 0.5, 0.02
"""How long the end may wait for nodes to say that they are held."""


def hold_at_work(host: MqttHost, supervisor: Supervisor, now_ms: Callable[[], int]) -> list[str]:
    """Order nothing more, and hold every node that may be at work; gives what became of each, in words.

    For an end that does not wait: it takes at most `HOLD_S`. Raises what keeps the holds from being sent.
    """
    at_work: list[str] = []

    def hold(_participant: Participant, _now_ms: int) -> Sequence[Publication]:
        supervisor.wind_up()
        at_work.extend(
            name for name, one in supervisor.sessions.items() if one.boot is not None and not one.idle()
        )
        for name in at_work:
            supervisor.hold(name, "who stopped the supervisor")
        return supervisor.tick(now_ms())

    check()
    end = time.monotonic() + HOLD_S
    if not host.call(hold, HOLD_S):
        return [outcome_of_hold(name, None) for name in at_work]
    holds = supervisor.holds.standing
    while time.monotonic() < end and any(holds[name].obeyed_ms is None for name in at_work):
        time.sleep(LOOK_S)
    return [outcome_of_hold(name, holds[name].obeyed_ms is not None, in_a_job=True) for name in at_work]
