"""What has to be so while a crane is measured. Every gate is a small method; the first to fail says why.

They stand beside the rules of every supervisor (`supervisor/check/rules.py`), which each order passes as well.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from protocol.specification import specification
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.supervisor.check.rules import Rules


def name_is_ours_ms() -> int:
    """So long another client of the same name would stay away at most: it comes again within `reconnect`."""
    return specification().most_ms("reconnect") * 21 // 20 + 500


@dataclass(slots=True)
class Gates:
    """The gates of one crane over one track."""

    supervisor: MeasuringSupervisor
    crane: str
    place: str
    berth: str
    boots: dict[str, int | None] = field(default_factory=dict)
    """The boots of all that reaches there, once they were claimed."""
    held: bool = False
    """Whether the others were seen to be held: from then on they have to stay so."""

    others: tuple[str, ...] = field(init=False)
    """Every other node that reaches there, crane and berth left out."""

    def __post_init__(self) -> None:
        near = self._rules.reaching(self.crane, self.place)
        self.others = tuple(sorted(near - {self.crane, self.berth}))

    @property
    def near(self) -> list[str]:
        """Crane and berth and all others that reach there."""
        return [self.crane, self.berth, *self.others]

    @property
    def _rules(self) -> Rules:
        return self.supervisor.new_rules(self.supervisor.look())

    def not_held(self, *but: str) -> list[str]:
        """Those that reach there and are not known to be held, `but` these."""
        return [
            name for name in self._rules.not_held(self.crane, self.place) if name not in (self.crane, *but)
        ]

    # ------------------------------------------------------------ before the first motion
    def before_motion(self) -> str:
        """Why nothing may move yet; '' once all of it is so."""
        reasons = (self.name_not_ours(), self.not_claimed(), self.others_not_held())
        return next((reason for reason in reasons if reason), "")

    def name_not_ours(self) -> str:
        """Another supervisor of this name would have taken it back by now."""
        since = self.supervisor.connected_ms
        if since is not None and self.supervisor.now_ms - since >= name_is_ours_ms():
            return ""
        return "it is not known yet whether another supervisor comes back"

    def not_claimed(self) -> str:
        """Every node of the site is claimed, by its own answer: silence is no."""
        missing = [name for name, one in self.supervisor.sessions.items() if not one.has_reported()]
        return f"not claimed, or it does not answer: {', '.join(missing)}" if missing else ""

    def other_tables(self) -> str:
        """Crane or berth were set up from another site file; '' where both say the digests of this one."""
        for name in (self.crane, self.berth):
            said = self.supervisor.sessions[name].words.get("node-status", {}).get("digest")
            ours = self.supervisor.site.nodes[name].digest
            if said != ours:
                return f"{name} says digest {said}, and the site file has {ours}"
        return ""

    def others_not_held(self) -> str:
        """Every other node that reaches there says that it is held."""
        missing = self.not_held(self.berth)
        return f"it does not say that it is held: {', '.join(missing)}" if missing else ""

    # ------------------------------------------------------------ before each job
    def before_job(self, node: str, hoist: int) -> str:
        """Why `node` must not move now: the crane while anything else may, the train below a lowered hoist."""
        if node == self.crane:
            missing = self.not_held()
            return self.before_motion() or (
                f"it does not say that it is held: {', '.join(missing)}" if missing else ""
            )
        return self.before_motion() or self.hoist_not_up(hoist)

    def hoist_not_up(self, hoist: int) -> str:
        """No train moves below a spreader that is down, or nobody knows where."""
        word = self.supervisor.sessions[self.crane].word("crane-status")
        site = self.supervisor.site.nodes[self.crane].crane
        if word is None or site is None:
            return f"{self.crane} has not said where it stands"
        at, _, homed = word["axes"][hoist]
        up = homed and at == site.travel and word["mode"] == "ready"
        return "" if up else f"the hoist of {self.crane} is not known to be at its travel height"

    def passed(self) -> None:
        """All of it is so: from now on it has to stay so."""
        self.held = True
        self.boots = {name: self.supervisor.sessions[name].boot for name in self.near}

    # ------------------------------------------------------------ all the time
    def broken(self) -> str:
        """Why it has to end now; '' while all is well."""
        reasons = (self.bus_gone(), self.another_supervisor(), self.trouble(), *self._of_nodes())
        return next((reason for reason in reasons if reason), "")

    def bus_gone(self) -> str:
        """Nothing is known of anything without the bus."""
        return "" if self.supervisor.linked else "the bus is away, or another client has taken this name"

    def another_supervisor(self) -> str:
        """Whoever else orders, claims or says that it supervises."""
        claimed = self.supervisor.replaced
        return f"another supervisor has claimed {claimed}" if claimed else self.supervisor.stranger

    def trouble(self) -> str:
        """A node on the bench, an order too long for its node."""
        return next(iter(self.supervisor.troubles), "")

    def _of_nodes(self) -> list[str]:
        return [self.started_anew(), self.silent(), self.let_go()] if self.held else []

    def started_anew(self) -> str:
        """What has booted has forgotten its hold and its position."""
        sessions = self.supervisor.sessions
        return next(
            (f"{name} has restarted" for name in self.near if sessions[name].boot != self.boots[name]), ""
        )

    def silent(self) -> str:
        """Nothing goes on next to a node that is not heard."""
        sessions, now_ms = self.supervisor.sessions, self.supervisor.now_ms
        silent = [name for name in self.near if not sessions[name].reachable(now_ms)]
        return f"{silent[0]} has not been heard lately" if silent else ""

    def let_go(self) -> str:
        """Whoever was held and says that it is not any more."""
        states = self.supervisor.look().nodes
        free = [name for name in self.others if states[name].has_reported and not states[name].held]
        return f"{free[0]} is not held any more" if free else ""
