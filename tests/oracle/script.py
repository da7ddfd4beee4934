"""What a shuttle says and is told, line by line: whatever a test changes is all that is wrong with it."""

from __future__ import annotations

from collections import Counter
from typing import Any

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Log
from conformance.oracle.node_judge import NodeJudge
from protocol.codec import encode
from protocol.site import Encoding
from protocol.site_file import scenario
from protocol.wire.packet import Publish

SITE = scenario()
RETAINED = ("node-status", "shuttle-status", "fault")


class Script:
    """The ferry at a tap, of which an oracle reads; times are in ms of the bench's clock and of the node's."""

    def __init__(self, *, rate: float = 0, bench: bool = True, fresh: bool = False, **held_up: Any) -> None:
        """It stands at a place, or has just come up as it should, and a first ask was answered.

        `held_up` is what the oracle is told of a test machine that stood still, and of a serial line.
        """
        self.log = Log()
        self.oracle = NodeJudge(self.log, SITE, "ferry", rate, undisturbed=True, **held_up)
        self.now = 0.0
        self.boot, self.mark, self.connection, self.uptime_ahead = 7, 0, 1, 0
        self._seqs: Counter[str] = Counter()
        self._token = 100
        self.status: dict[str, Any] = {
            "state": "on", "link": 1 if fresh else 3, "roles": ["shuttle"], "firmware": "script", "minor": 0,
            "reads": "both", "reset": "power-on", "bench": bench, "digest": 1831221893, "buffer": 384, "starts": 0,
        }  # fmt: skip
        self.shuttle: dict[str, Any] = {
            "held": False, "holds": 0, "state": "lost", "stop": 0, "load": "unsure",
        }  # fmt: skip
        if not fresh:
            self.shuttle |= {"state": "at-place", "stop": 1, "place": "quay-n"}
        self.fault: dict[str, Any] = {"active": [], "faults": 0}
        self.comes_up()
        self.fence()

    def comes_up(self) -> None:
        """All three states, as at every start and connection."""
        self.says("node-status", **self.status)
        self.says("shuttle-status", **self.shuttle)
        self.says("fault", **self.fault)

    def wait(self, ms: float) -> None:
        """Time passes, of both clocks."""
        self.now += ms

    def says(self, message: str, **fields: Any) -> None:
        """The node publishes a message; its envelope is right."""
        body = {"boot": self.boot, "seq": self._seqs[message], "uptime": int(self.now) + self.uptime_ahead}
        body |= {"mark": self.mark} if message != "fault" else {}
        self._seqs[message] += 1
        self.says_bytes(message, encode(message, body | fields, Encoding.JSON))

    def says_bytes(self, message: str, payload: bytes) -> None:
        """The same, byte for byte."""
        topic = f"yw1/{SITE.name}/ferry/{message}"
        self._pass(topic, payload, from_node=True, retain=message in RETAINED)

    def status_says(self, **changes: Any) -> None:
        """A node-status with these changes, which stay."""
        self.status |= changes
        self.says("node-status", **self.status)

    def shuttle_says(self, **changes: Any) -> None:
        """A shuttle-status with these changes, which stay; None takes a field away."""
        self.shuttle = {name: value for name, value in (self.shuttle | changes).items() if value is not None}
        self.says("shuttle-status", **self.shuttle)

    def fault_says(self, **changes: Any) -> None:
        """A fault message with these changes, which stay."""
        self.fault |= changes
        self.says("fault", **self.fault)

    def order(self, act: str, *, node: str = "ferry", retain: bool = False, **fields: Any) -> None:
        """An order comes to the node."""
        payload = encode("job-order", {"act": act, **fields}, Encoding.JSON)
        self._pass(f"yw1/{SITE.name}/{node}/job-order", payload, from_node=False, retain=retain)

    def order_bytes(self, payload: bytes) -> None:
        """Bytes come on its topic of orders."""
        self._pass(f"yw1/{SITE.name}/ferry/job-order", payload, from_node=False)

    def report(self, act: str, id_: int, state: str = "done", **more: Any) -> None:
        """The node reports."""
        fields = {"id": id_, "state": state, "order_boot": self.boot, "act": act} | more
        if act == "run" and state != "refused":
            self.shuttle |= {"job": id_, "job_state": state}
        self.says("job-report", **fields)

    def ask(self) -> int:
        """An ask comes to the node; gives its token."""
        self._token += 1
        self.order("ask", token=self._token)
        return self._token

    def fence(self) -> None:
        """An ask and its answer."""
        token = self.ask()
        self.comes_up()
        self.says("job-report", act="ask", state="done", token=token)

    def claim(self, id_: int) -> None:
        """A claim that is answered as it must be."""
        self.order("claim", boot=self.boot, id=id_)
        self.mark = max(self.mark, id_)
        self.report("claim", id_)

    @property
    def deadline(self) -> int:
        """Ten seconds from now by the node's clock."""
        return int(self.now) + self.uptime_ahead + 10_000

    def run(self, id_: int, *, to: str = "quay-s") -> None:
        """An order to run comes, and is taken."""
        self.order("run", boot=self.boot, id=id_, deadline=self.deadline, to=to)
        self.mark = id_
        self.report("run", id_, "accepted", load="unsure")

    def found(self) -> list[tuple[str, Oracle]]:
        """What the oracle holds against the node by now."""
        self.oracle.take(self.now)
        return [(one.requirement, one.oracle) for one in self.oracle.findings]

    def words(self) -> str:
        """The same in words."""
        self.oracle.take(self.now)
        return "; ".join(str(one) for one in self.oracle.findings)

    def _pass(self, topic: str, payload: bytes, *, from_node: bool, retain: bool = False) -> None:
        self.now += 1
        packet = Publish(topic, payload, 1, retain, False, 1)
        self.log.add(
            connection=self.connection, at_ms=self.now, from_node=from_node, size=len(topic) + len(payload) + 6,
            packet=packet,
        )  # fmt: skip


def told(script: Script) -> list[str]:
    """The requirements told of since the last time."""
    found = [requirement for requirement, _ in script.found()]
    script.oracle.findings.clear()
    return found
