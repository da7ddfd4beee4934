"""Drives a node at random through all contexts, with no judge: does a breach change anything there?

A breach that leaves neither a run of the suite nor this as it would be without it is equivalent: no tester can tell it
from a correct node, and it is not counted.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from functools import cache
from typing import Any

import cbor2

from conformance.bench.virtual_bench import VirtualBench
from protocol.codec import encode
from protocol.counting import UPTIME_MODULUS
from protocol.site import Encoding
from protocol.topics import Topic
from reference_node.controller.controller import Controller
from tests.faulty_nodes.matrix.injection import Compared, Differs, Kept
from tests.faulty_nodes.matrix.planted import SITE, Planted, bench_of

STEPS = 400
SEEDS = (11, 12, 13, 14, 15)
WAITS_MS = (0, 3, 15, 60, 300, 900, 2500)


def differs(planted: Planted) -> bool:
    """Whether the breach shows in any of the drives; each ends where it does."""
    return any(_shows(planted, seed) for seed in SEEDS)


def _shows(planted: Planted, seed: int) -> bool:
    record = Compared(correct(planted.node, seed))
    try:
        bench, _ = bench_of(planted, planted.node, seed, record)
        Drive(bench, planted.node, seed).perform()
        record.end()
    except Differs:
        return True
    return False


@cache
def correct(node: str, seed: int) -> Sequence[int]:
    """What comes of the drive over a node without a breach, a mark for each entry."""
    record = Kept()
    bench, _ = bench_of(None, node, seed, record)
    Drive(bench, node, seed).perform()
    return record.marks


class Drive:
    """One drive; every choice is that of a seed and of what the node is."""

    def __init__(self, bench: VirtualBench, node: str, seed: int) -> None:
        self._bench, self._rng = bench, random.Random(seed)
        self._own = str(Topic(SITE.name, node, "job-order"))
        self._all = str(Topic(SITE.name, "all", "job-order"))
        self._last: dict[str, Any] = {}

    @property
    def _node(self) -> Controller:
        return self._bench._node.inside.node  # type: ignore[attr-defined,no-any-return]

    def perform(self) -> None:
        """All steps."""
        steps: list[tuple[int, Callable[[], None]]] = [
            (12, self._job),
            (5, self._sensors),
            (3, self._repeat),
            (3, self._stale),
            (4, self._cancel),
            (3, self._claim),
            (3, self._ask),
            (3, self._hold),
            (5, self._resume),
            (5, self._reset_fault),
            (1, self._uptime),
            (2, self._other_boot),
            (2, self._unreadable),
            (2, self._retained),
            (2, self._link),
        ]
        weights = [weight for weight, _ in steps]
        self._wait(500)
        for _ in range(STEPS):
            self._rng.choices([step for _, step in steps], weights)[0]()
            self._wait(self._rng.choice(WAITS_MS))

    def _wait(self, ms: int) -> None:
        self._bench.wait(lambda: False, ms)

    def _send(
        self, body: dict[str, Any], *, topic: str | None = None, retained: bool = False, tail: bytes = b""
    ) -> None:
        reads = self._node.node.reads
        usual = Encoding.CBOR if reads == "cbor" else Encoding.JSON
        other = self._rng.random() < 0.4 and reads == "both"
        payload = encode("job-order", body, Encoding.CBOR if other else usual)
        if self._rng.random() < 0.05:
            payload = self._with_foreign(payload)
        send = self._bench.deliver_retained if retained else self._bench.publish
        send(topic or self._own, payload + tail)

    def _with_foreign(self, payload: bytes) -> bytes:
        if payload[:1] == b"{":
            return payload[:-1] + b',"novel":1}'
        return cbor2.dumps(cbor2.loads(payload) | {200: 1}, canonical=True)

    def _order(self, act: str, **fields: Any) -> dict[str, Any]:
        return {"act": act, "boot": self._node.boot, "id": self._node.mark + 1, **fields}

    # ---------------------------------------------------------------- orders

    def _deadline(self) -> int:
        ahead = self._rng.choice((20_000, 20_000, 20_000, 400, -5))
        return (self._node.uptime + ahead) % UPTIME_MODULUS

    def _some_job(self) -> dict[str, Any]:
        node, rng = self._node.node, self._rng
        deadline = self._deadline()
        if node.berth is not None:
            return self._order(rng.choice(("admit", "depart")), deadline=deadline)
        if node.shuttle is not None:
            to = rng.choice((*node.shuttle.stops, "nowhere"))
            return self._order("run", deadline=deadline, to=to)
        act = rng.choice(("home", "home", "park", "jog", "jog", "transfer", "transfer", "run"))
        if act == "run":
            return self._order("run", deadline=deadline, to="ferry")
        if act == "jog":
            axes = node.crane.axes if node.crane else ()
            target = [
                rng.choice((axis.least, axis.most // 3, axis.most, axis.most * 11 // 10)) for axis in axes
            ]
            return self._order("jog", deadline=deadline, target=target)
        if act != "transfer":
            return self._order(act, deadline=deadline)
        places = [*(node.crane.places if node.crane else ()), "nowhere"]
        first, second = rng.choice(places), rng.choice(places)
        ends = {"from": first, "from_slot": 0} if rng.random() < 0.8 else {}
        found = {
            "reading": rng.choice((150, 420, 9000)),
            "arrival": 1,
            "berth_boot": 7,
            "stop": 1,
            "shuttle_boot": 7,
        }
        if rng.random() < 0.2:
            found = {}
        return self._order("transfer", deadline=deadline, **ends, to=second, to_slot=0, box="C-1", **found)

    def _job(self) -> None:
        self._last = self._some_job()
        self._send(self._last)
        if self._rng.random() < 0.2:
            self._send(self._some_job() | {"id": self._last["id"] + 1})
        if self._rng.random() < 0.75:
            self._wait(self._rng.choice((20, 300)))
            self._sensors()

    def _sensors(self) -> None:
        node = self._node.node
        if self._rng.random() < 0.08:
            inputs: list[list[Any]] = [["motor-power", False, 0], ["motor-power", True, 200]]
        elif node.berth is not None:
            kinds = ([("arming", 1), ("arming", 0), ("end", 1), ("end", 0)], [("end", 1), ("end", 0)])
            delay = self._rng.choice((40, 60, 90))
            inputs = [[name, bool(level), delay] for name, level in self._rng.choice(kinds)]
        elif node.shuttle is not None:
            stop = self._rng.choice(("stop-1", "stop-2"))
            inputs = [[stop, level, 40] for level in (True, False)]
        else:
            level = self._rng.random() < 0.6
            homes = [[f"home-{axis}", level, 40] for axis in "xyz"]
            inputs = self._rng.choice((homes, homes, [["load", level, 0]]))
        self._send(self._order("stimulus", inputs=inputs))

    def _repeat(self) -> None:
        job = self._node.job
        if job is not None:
            act = "park" if self._rng.random() < 0.3 and job.act != "park" else None
            self._send(self._order(act, id=job.id, deadline=self._deadline()) if act else dict(job.order))

    def _stale(self) -> None:
        mark = self._node.mark
        if mark > 3:
            self._send(self._some_job() | {"id": self._rng.choice((mark, mark, mark - 1, 1))})

    def _cancel(self) -> None:
        job, mark = self._node.job, self._node.mark
        ref = (
            job.id
            if job is not None and self._rng.random() < 0.7
            else self._rng.choice((mark + 1, mark + 9, 1))
        )
        id_ = self._rng.choice((mark + 3, mark + 3, 1, max(1, mark), max(1, ref)))
        self._send(self._order("cancel", id=id_, ref=ref))

    def _claim(self) -> None:
        mark = self._node.mark
        id_ = self._rng.choice((mark + 1000, mark + 1000, max(1, mark), max(1, mark - 1)))
        self._send(self._order("claim", id=id_, token=self._rng.randrange(1 << 32)))

    def _ask(self) -> None:
        topic = self._all if self._rng.random() < 0.2 else self._own
        self._send({"act": "ask", "token": self._rng.randrange(1 << 32)}, topic=topic)

    def _hold(self) -> None:
        for _ in range(self._rng.choice((1, 1, 2))):
            self._send({"act": "hold"}, topic=self._rng.choice((self._own, self._all)))

    def _resume(self) -> None:
        holds = self._node.holds + self._rng.choice((0, 0, 0, 1))
        self._send(self._order("resume", holds=holds))

    def _reset_fault(self) -> None:
        node = self._node.node
        faults = self._node.faults + self._rng.choice((0, 0, 0, 1))
        said: dict[str, Any] = {"found": "none"} if node.shuttle is None else {"place": node.shuttle.stops[0]}
        self._send(self._order("reset-fault", faults=faults, **(said if self._rng.random() < 0.8 else {})))

    def _uptime(self) -> None:
        self._send(self._order("set-uptime", uptime=UPTIME_MODULUS - self._rng.choice((3000, 20_000))))

    def _other_boot(self) -> None:
        self._send(self._some_job() | {"boot": (self._node.boot + 1) % 65536})

    def _unreadable(self) -> None:
        self._send(self._some_job(), tail=b"\0") if self._rng.random() < 0.5 else self._bench.publish(
            self._own, b"{"
        )

    def _retained(self) -> None:
        self._send(self._some_job(), retained=True)

    def _link(self) -> None:
        self._bench.cut()
        self._wait(4000)
