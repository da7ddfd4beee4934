"""Orders under way and the last that ended, from orders, reports and what the nodes say of themselves."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from conformance.recordings.wording import in_words, short_id
from protocol.specification import OPEN, specification

Body = Mapping[str, Any]

OPEN_KEPT = 64
ENDED_KEPT = 8
MAY_MOVE = ("ordered", *OPEN)
"""'ordered' until its node has said something of it."""


@dataclass(slots=True)
class ObservedJob:
    """One job."""

    number: int
    node: str
    id: int
    act: str
    words: str
    began_us: int
    state: str = "ordered"
    step: str = ""
    reason: str = ""
    box: str = ""
    places: tuple[str, ...] = ()
    """Between which it works, as far as its order was heard."""
    ended_us: int | None = None

    @property
    def is_open(self) -> bool:
        """Whether it may still move something."""
        return self.state in MAY_MOVE


class Jobs:
    """Follows the jobs of every node; holds no more than a page can show."""

    def __init__(self) -> None:
        self._open: dict[tuple[str, int], ObservedJob] = {}
        self._ended: deque[ObservedJob] = deque(maxlen=ENDED_KEPT)
        self._last: dict[str, ObservedJob] = {}
        self._number = 0

    def hear(self, node: str, message: str, body: Body, at_us: int) -> None:
        """Take one live message that can be read."""
        if message == "job-order":
            if body["act"] in specification().jobs and (node, body["id"]) not in self._open:
                self._begin(node, body["id"], str(body["act"]), in_words(message, body), at_us, body)
        elif message == "job-report":
            if body["act"] in specification().jobs or body["act"] == "cancel":
                self._report(node, body, at_us)
        elif "job_state" in body and "job" in body:
            self._state(node, body["job"], body["job_state"], at_us)

    def new_boot(self, node: str, at_us: int) -> None:
        """A new boot makes what was open unknown [SUP-09]."""
        for job in [job for job in self._open.values() if job.node == node]:
            job.state, job.reason = "unknown", "the node has restarted"
            self._end(job, at_us)

    def box_of(self, node: str) -> str:
        """The box of the node's newest transfer, '' if none was heard."""
        job = self._last.get(node)
        return job.box if job is not None else ""

    def __iter__(self) -> Iterator[ObservedJob]:
        """Open ones, then those that ended, the last first."""
        yield from self._open.values()
        yield from reversed(self._ended)

    def _begin(self, node: str, id_: int, act: str, words: str, at_us: int, body: Body) -> ObservedJob | None:
        ended = any(job.node == node and job.id == id_ for job in self._ended)
        if ended:
            return None  # An order said once more after its end.
        self._number += 1
        places = tuple(str(body[name]) for name in ("from", "to") if name in body)
        job = ObservedJob(
            self._number, node, id_, act, words, at_us, box=str(body.get("box", "")), places=places
        )
        while len(self._open) >= OPEN_KEPT:
            self._open.pop(next(iter(self._open)))
        self._open[node, id_] = self._last[node] = job
        return job

    def _report(self, node: str, body: Body, at_us: int) -> None:
        id_ = body.get("id")
        if id_ is None or body.get("reason") == "too-late":
            return
        job = self._open.get((node, id_))
        if job is None:
            if body["state"] not in MAY_MOVE:
                return
            words = f"{body['act']} {short_id(id_)}"
            job = self._begin(node, id_, str(body["act"]), words, at_us, body)
        if job is not None:
            job.step, job.reason = str(body.get("step", job.step)), str(body.get("reason", ""))
            job.box = str(body.get("box", job.box))
            self._go(job, str(body["state"]), at_us)

    def _state(self, node: str, id_: int, state: str, at_us: int) -> None:
        """A node repeats its current or last job in its state, so a lost report is fixed by that."""
        job = self._open.get((node, id_))
        if job is None and state in MAY_MOVE:
            job = self._begin(node, id_, "", f"a job {short_id(id_)}", at_us, {})
        if job is not None and state != job.state:
            self._go(job, state, at_us)

    def _go(self, job: ObservedJob, state: str, at_us: int) -> None:
        job.state = state
        if not job.is_open:
            self._end(job, at_us)

    def _end(self, job: ObservedJob, at_us: int) -> None:
        job.ended_us = at_us
        job.step = ""
        self._open.pop((job.node, job.id), None)
        self._ended.append(job)
