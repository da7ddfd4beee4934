"""The pace of the page: looks at the model ten times a second at most and hands every viewer what changed.

Nothing is queued. A viewer that is slow misses the steps in between and gets the difference to what it has.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import AsyncIterator, Iterator
from contextlib import suppress
from typing import Any

from anyio import to_thread

from conformance.page.model.log import Chosen
from conformance.page.model.yard import Model
from conformance.page.server.desk import Unanswered
from conformance.page.server.live_model import LivePage
from conformance.page.server.requests import RequestHandler
from protocol.wire.fail_stop import task

EVERY_S = 0.1
DESK_EVERY_S = 0.25
LINES_EVERY_S = 0.4
BEAT_S = 2.0
"""A viewer that hears nothing for longer says that what it shows is old."""
SAME_HOLD_MS = 1_500
MOST_VIEWERS = 20
STAY_AWAY = "Not known: do not go there; remove motor power before you reach in."
NOT_KNOWN = "the desk does not answer: nobody knows whether this still has to be answered."


class Broadcaster:
    """Runs on the server's loop; `close` may be called from any thread."""

    def __init__(self, page: LivePage, request_handler: RequestHandler | None) -> None:
        self._page = page
        self._request_handler = request_handler
        self._model: Model = {}
        self._desk: Model = {}
        self._since: dict[str, int] = {}
        self._step = asyncio.Event()
        self.closing = False
        self.viewers = 0

    def close(self) -> None:
        """Send every viewer away with the next step."""
        self.closing = True

    async def run(self) -> None:
        """Look at the model for as long as the server lives."""
        desk = task(self._attend()) if self._request_handler is not None else None
        try:
            while True:
                if self.viewers:
                    self._model = self._page.model() | self._desk
                step, self._step = self._step, asyncio.Event()
                step.set()
                await asyncio.sleep(EVERY_S)
        finally:
            if desk is not None:
                desk.cancel()
                with suppress(asyncio.CancelledError):
                    await desk

    async def _attend(self) -> None:
        """Ask the desk for questions and events."""
        while True:
            if self.viewers and self._request_handler is not None:
                self._desk = await to_thread.run_sync(self._desk_entries, self._request_handler, self._desk)
            await asyncio.sleep(DESK_EVERY_S)

    def _desk_entries(self, request_handler: RequestHandler, before: Model) -> Model:
        try:
            entries = dict(_entries(request_handler))
        except Unanswered as error:  # The view of the bus goes on.
            return dict(_without_a_desk(str(error), before, self._page.clock() // 1000))
        now_ms = self._page.clock() // 1000
        since = {key: now_ms - entry.pop("for_ms") for key, entry in entries.items() if "for_ms" in entry}
        # The same figure as before, unless it is another hold: a row that changes loses the press on its button.
        self._since = {
            key: self._since[key]
            if abs(self._since.get(key, at) - at) < SAME_HOLD_MS and key in self._since
            else at
            for key, at in since.items()
        }
        for key, at in self._since.items():
            entries[key]["at"] = at
        return entries

    async def view(self, chosen: Chosen = ("", "")) -> AsyncIterator[str]:
        """Server-sent events for one viewer (WHATWG HTML, section 9.2): first everything, then what changed.

        `chosen` are the messages that it wants to see.
        """
        self.viewers += 1
        try:
            seen: Model = {}
            told_s, lines_s, first = 0.0, 0.0, True
            lines: Model = {}
            step = self._step
            while not self.closing:
                await step.wait()
                step, model = self._step, self._model
                now_s = asyncio.get_running_loop().time()
                if now_s - lines_s >= LINES_EVERY_S:
                    # More often nobody could read them.
                    lines_s, lines = now_s, self._page.lines(chosen)
                model = model | lines
                changed = {key: value for key, value in model.items() if seen.get(key) != value}
                gone = [key for key in seen if key not in model]
                if changed or gone or now_s - told_s > BEAT_S / 2:
                    told_s, seen = now_s, model
                    now_ms = self._page.clock() // 1000
                    yield _event({"now": now_ms, "all": first, "set": changed, "gone": gone})
                    first = False
        finally:
            self.viewers -= 1


def _event(data: dict[str, Any]) -> str:
    return f"data: {json.dumps(data, separators=(',', ':'))}\n\n"


def _entries(request_handler: RequestHandler) -> Iterator[tuple[str, dict[str, Any]]]:
    seen, goals = request_handler.look(), request_handler.goals()
    yield "desk", {"there": True, "why": "", "events": list(seen.events)}
    for one in seen.held:
        yield f"hold/{one.node}", {
            "by": one.by, "says": one.says, "late": one.late, "resume": one.may_resume, "for_ms": one.for_ms,
        }  # fmt: skip
    for position, goal in enumerate(goals, start=1):
        yield f"goal/{goal.number}", {"text": goal.text, "blocked": goal.blocked, "position": position}
    for question in seen.questions:
        yield f"question/{question.number}", {
            "text": question.text, "where": question.where, "choices": list(question.choices),
        }  # fmt: skip
    for gone in seen.withdrawn:
        yield f"withdrawn/{gone.number}", {
            "text": gone.text, "where": gone.where, "why": gone.why, "caution": gone.caution, "for_ms": gone.for_ms,
        }  # fmt: skip


def _without_a_desk(why: str, before: Model, now_ms: int) -> Iterator[tuple[str, dict[str, Any]]]:
    """Somebody may be on the way for an answer, and nobody knows whether a question still stands."""
    yield "desk", {"there": False, "why": why, "events": []}
    for key, entry in before.items():
        kind, _, number = key.partition("/")
        if kind == "withdrawn":
            yield key, entry
        elif kind == "question":
            yield f"withdrawn/{number}", {
                "text": entry["text"], "where": entry["where"], "why": NOT_KNOWN, "caution": STAY_AWAY, "at": now_ms,
            }  # fmt: skip
