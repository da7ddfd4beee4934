"""The course of a measurement: a train in, at rest, the crane jogged until 'that is it', the train out, again.

Pure: time comes from the supervisor, words from `say`. Everything that moves is ordered by a word of the person who
is there, through the gates; whatever fails them ends it, and everything that reaches there is held.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from protocol.position_table import OutsideTable, PositionTable
from reference_node.measuring.gates import Gates, name_is_ours_ms
from reference_node.measuring.jogs import Jogs, NotJogged
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.measuring.words import AT_REST, HELP, NotUnderstood, Word, word_of
from reference_node.supervisor.observe.sent_order import SentOrder
from reference_node.supervisor.plan.next_step import Step

CLAIM_MS = 30_000
"""How long nodes may take to be claimed and held, beside the time for which the name has to be ours."""
ORDER_MS = 5_000
"""How long an order may have to wait for its node to be ready."""
PATIENCE_MS = 300_000
SHORT = 10
"""'over' stops so far short of where the table has the slot: the last way is a person's, from below."""
BY = "who measures"


Looks = Generator[None, None, None]
"""Goes on with each look around."""
Tried = Generator[None, None, bool]
"""The same, and gives whether it came about."""


class Phase(StrEnum):
    """What it waits for."""

    STARTING = "starting"
    ASKED = "asked"
    """A question is open."""
    TRAIN = "train"
    """Somebody has to say that a train may come."""
    AT_REST = "at rest"
    """Somebody has to say how to jog."""
    MOVING = "moving"
    OVER = "over"


@dataclass(frozen=True, slots=True)
class Found:
    """One 'that is it': the pair, with the slot's own figure taken off, so that it is a point of the table."""

    reading: int
    position: float
    came_up: bool | None
    """Whether the first axis came from smaller figures; None where it has not been moved since the train rests."""
    train: str
    arrival: int


@dataclass(frozen=True, slots=True)
class Plan:
    """Which crane over which track, over which slot, and how patient it is."""

    crane: str
    place: str
    slot: int = 0
    largest: int | None = None
    patience_ms: int = PATIENCE_MS
    trains: tuple[str, ...] = ()
    """Locomotives that come in turn, where 'admit' and 'next' name none."""


class _Ended(Exception):
    """`held`: everything that reaches there is to be held."""

    def __init__(self, why: str, *, held: bool) -> None:
        super().__init__(why)
        self.held = held


class Course:
    """One measurement. All calls are made on the thread that owns the supervisor."""

    def __init__(
        self,
        supervisor: MeasuringSupervisor,
        plan: Plan,
        found: Callable[[Found], None],
        tell: Callable[[str], None],
    ) -> None:
        """`found` is called with each pair as soon as it is known, `tell` with lines for the person."""
        self.supervisor, self.plan = supervisor, plan
        crane = supervisor.site.nodes[plan.crane].crane
        assert crane is not None
        self.crane = crane
        self.entry = crane.places[plan.place]
        self.jogs = Jogs.of(crane, plan.largest)
        self.berth = supervisor.site.places[plan.place].node
        self.gates = Gates(supervisor, plan.crane, plan.place, self.berth)
        self.phase = Phase.STARTING
        self.ended = ""
        """Why it is over; '' while it is not."""
        self.stays_held = False
        """Whether it has ended with everything held that reaches there."""
        self.held = False
        """Whether a person has held everything."""
        self._cut_short = False
        """Whether there was a hold since the last word: what was still to follow is not done after it."""
        self._next_train: str | None = None
        """Which train to let in without another word; None where somebody has to say so."""
        self._let_in_so_far = 0
        self._found, self._tell = found, tell
        self._word: Word | None = None
        self._spoke_ms = supervisor.now_ms
        self._came_up: bool | None = None
        self._steps = self._whole()

    # ------------------------------------------------------------ what a person says
    def say(self, line: str) -> None:
        """Take a line: a hold at once, whatever is under way; anything else when it is waited for."""
        self._spoke_ms = self.supervisor.now_ms
        try:
            word = word_of(line)
        except NotUnderstood as error:
            self._tell(str(error))
            return
        if word is None or self.ended:
            return
        at_once = {
            "hold": self.hold, "help": self._help, "quit": self._quit, "resume": self._resume, "yes": self._answer,
        }  # fmt: skip
        if word[0] in at_once:
            at_once[word[0]]()
        elif self.held:
            self._tell("it is held; say 'resume' once hands are clear, or 'quit'")
        elif self.phase is Phase.MOVING or self._word is not None:
            self._tell("not taken: it still moves; say it again when it has come to rest")
        else:
            self._word = word

    def _help(self) -> None:
        for row in HELP.splitlines():
            self._tell(row)

    @property
    def takes_words(self) -> bool:
        """Whether it waits for what a person says, and nothing was said yet."""
        return self._word is None and (self.held or self.phase in (Phase.ASKED, Phase.TRAIN, Phase.AT_REST))

    def hold(self) -> None:
        """Hold everything that reaches there. It is never asked back, and no emergency stop."""
        self.held, self._cut_short = True, True
        for name in self.gates.near:
            self.supervisor.hold(name, BY)
        self._tell(f"held: {', '.join(self.gates.near)}; no emergency stop. 'resume' goes on, 'quit' ends")

    def _resume(self) -> None:
        """Let go what this measurement moves: the crane, and the berth where no train stands to be measured."""
        if not self.held:
            self._tell("nothing is held by 'hold'")
            return
        going = [self.plan.crane] + ([] if self._keeps_berth else [self.berth])
        for name in [one for one in going if one in self.supervisor.holds]:
            why = self.supervisor.release(name)
            if why:
                self._tell(f"not resumed: {why}")
                return
        self.held = False

    @property
    def _keeps_berth(self) -> bool:
        return self._berth_word().get("state") == "at-rest" and self.supervisor.sessions[self.berth].idle()

    def _answer(self) -> None:
        questions = self.supervisor.questions
        if not questions:
            self._tell("nothing is asked")
            return
        try:
            questions[0].answer()
        except ValueError as error:
            self._tell(f"not taken: {error}")

    def _quit(self) -> None:
        if self.phase is Phase.MOVING or self.held:
            self._end("stopped by a person while something may move", held=True)
        else:
            self._end("", held=False)

    # ------------------------------------------------------------ time
    def go_on(self) -> None:
        """Look around and go on; to be called ten times a second or more."""
        if self.ended:
            return
        if self.phase is not Phase.STARTING or self.supervisor.connected_ms is not None:
            broken = self.gates.broken()
            if broken:
                self._end(broken, held=True)
                return
        waits = self.phase in (Phase.ASKED, Phase.TRAIN, Phase.AT_REST) or self.held
        if not waits:
            self._spoke_ms = self.supervisor.now_ms
        elif self.supervisor.now_ms - self._spoke_ms > self.plan.patience_ms:
            self._end(f"nobody has said anything for {self.plan.patience_ms // 1000} s", held=True)
            return
        try:
            next(self._steps)
        except _Ended as ending:
            self._end(str(ending), held=ending.held)

    def stop(self, why: str) -> None:
        """End it from outside, as by Ctrl-C: hold everything that reaches there."""
        if not self.ended:
            self._end(why, held=True)

    def _end(self, why: str, *, held: bool) -> None:
        self.ended, self.phase, self.stays_held = why or "ended by a person", Phase.OVER, held
        self.supervisor.wind_up()
        if held:
            for name in self.gates.near:
                self.supervisor.hold(name, BY)
            return
        for name in [one for one in self.gates.near if one in self.supervisor.holds]:
            why = self.supervisor.release(name)
            if why:
                self._tell(f"{name} stays held: {why}")

    # ------------------------------------------------------------ the whole
    def _whole(self) -> Looks:
        yield from self._begin()
        while True:
            if self._berth_word().get("state") != "at-rest":
                yield from self._let_in()
            yield from self._at_rest()
            yield from self._let_out()

    def _begin(self) -> Looks:
        within_ms = name_is_ours_ms() + CLAIM_MS
        yield from self._until(lambda: not self.gates.not_claimed(), within_ms, self.gates.not_claimed)
        yield from self._same_tables()
        for name in self.gates.others:
            self.supervisor.hold(name, BY)
        yield from self._until(lambda: not self.gates.before_motion(), within_ms, self.gates.before_motion)
        self.gates.passed()
        self._tell(f"claimed; held: {', '.join(self.gates.others) or 'nobody else reaches there'}")
        yield from self._asked()
        yield from self._hold_berth()
        if self._crane_word().get("mode") == "unhomed":
            self._tell(f"{self.plan.crane} homes")
            yield from self._must(self.plan.crane, "home")
        yield from self._raise()

    def _same_tables(self) -> Looks:
        """Wait until crane and berth say the digests of this site file: what they know is what is measured [SUP-20]."""
        told = ""
        while other := self.gates.other_tables():
            if other != told:
                told = other
                self._tell(f"{other}; it waits for the board to say the digest of the site file")
            yield

    def _asked(self) -> Looks:
        """Wait for the answers to whatever keeps crane or berth from working."""
        told: object = None
        for _ in range(3):  # A question comes up a moment after its cause.
            yield
        while self.supervisor.questions or self._not_ready():
            self.phase = Phase.ASKED if self.supervisor.questions else Phase.MOVING
            question = next(iter(self.supervisor.questions), None)
            if question is not None and question is not told:
                told = question
                self._tell(f"{question.text} Say 'yes' once it is so")
            yield
        self.phase = Phase.STARTING

    def _not_ready(self) -> bool:
        """Whether berth or crane wait for a person, or are only just let go again."""
        berth, crane = self._berth_word(), self._crane_word()
        known = bool(berth) and bool(crane)
        free = not any(self.supervisor.look().nodes[name].held for name in (self.berth, self.plan.crane))
        return not (known and free and berth["state"] != "lost" and crane["mode"] in ("ready", "unhomed"))

    def _let_in(self) -> Looks:
        while True:
            yield from self._free_berth()
            yield from self._asked()
            if self._next_train is None:
                self._wait_for(Phase.TRAIN, "put a train where trains wait, then say: admit [TRAIN]")
                word = yield from self._next_word("admit")
                self._next_train = (*word[1], "")[0]
            train, self._next_train = self._next_train or self._in_turn(), None
            sent = yield from self._job(self.berth, "admit", **({"train": train} if train else {}))
            if sent is not None and sent.state == "done" and self._berth_word().get("state") == "at-rest":
                return

    def _in_turn(self) -> str:
        self._let_in_so_far += 1
        trains = self.plan.trains
        return trains[(self._let_in_so_far - 1) % len(trains)] if trains else ""

    def _let_out(self) -> Looks:
        yield from self._free_berth()
        yield from self._must(self.berth, "depart")

    def _at_rest(self) -> Looks:
        """The berth is held while the crane is jogged."""
        self._came_up = None
        yield from self._hold_berth()
        word = self._berth_word()
        arrival, reading = int(word["arrival"]), int(word["reading"])
        train = f", {word['train']}" if word.get("train") else ""
        self._tell(f"at rest: reading {reading}, arrival {arrival}{train}")
        while True:
            self._wait_for(Phase.AT_REST, "")
            name, rest = yield from self._next_word(*AT_REST)
            now = self._berth_word()
            if (now.get("state"), now.get("arrival")) != ("at-rest", arrival):
                raise _Ended(f"the train at {self.berth} is not at rest any more", held=True)
            match name:
                case "it":
                    self._it(now, float(rest[0]) if rest else 0.0)
                case "raise":
                    yield from self._raise()
                case "over":
                    yield from self._over(reading)
                case "step":
                    yield from self._step(rest[0], int(rest[1]))
                case _:
                    self._next_train = (*rest, "")[0] if name == "next" else None
                    if (yield from self._raise()):
                        return
                    self._next_train = None

    def _it(self, berth: Any, rest: float) -> None:
        crane = self._crane_word()
        position, target, homed = crane["axes"][0]
        if not homed or position != target or crane["mode"] != "ready":
            self._tell(f"not kept: {self.plan.crane} does not stand at its target")
            return
        shifted = position + rest - self.entry.slots[self.plan.slot][0]
        reading, arrival = int(berth["reading"]), int(berth["arrival"])
        self._found(Found(reading, shifted, self._came_up, str(berth.get("train", "")), arrival))

    # ------------------------------------------------------------ jogs
    def _step(self, axis: str, step: int) -> Looks:
        try:
            target = self.jogs.step(self._stands(), self.jogs.axis(axis), step)
        except NotJogged as error:
            self._tell(f"not done: {error}")
            return
        yield from self._jog(target)

    def _raise(self) -> Tried:
        return (yield from self._along(self.jogs.hoist, self.crane.travel))

    def _over(self, reading: int) -> Looks:
        """The hoist first, then the first axis to short of the slot, then the others: each alone."""
        slot = self.entry.slots[self.plan.slot]
        try:
            first = PositionTable.of(self.entry.table).position(reading) + slot[0] - SHORT
        except OutsideTable:
            self._tell("the present table does not reach there: jog by hand")
            return
        axis = self.crane.axes[0]
        first = min(max(first, axis.least), axis.most)
        if not (yield from self._raise()):
            return
        # From further below where it stands above, so that it comes up.
        if self._stands()[0] > first and not (yield from self._along(0, max(first - SHORT, axis.least))):
            return
        for number, to in enumerate((first, *slot[1:-1])):
            if not (yield from self._along(number, to)):
                return

    def _along(self, axis: int, to: int) -> Tried:
        """Bring one axis to `to`, step by step; False where it did not come there."""
        try:
            way = self.jogs.way(self._stands(), axis, to)
        except NotJogged as error:
            self._tell(f"not done: {error}")
            return False
        for target in way:
            if not (yield from self._jog(target)):
                return False
        return True

    def _jog(self, target: tuple[int, ...]) -> Tried:
        """One jog; False where it was not done. After a hold nothing follows by itself."""
        at = self._stands()
        if self._cut_short:
            return False
        sent = yield from self._job(self.plan.crane, "jog", target=list(target))
        done = sent is not None and sent.state == "done"
        if done and target[0] != at[0]:
            self._came_up = target[0] > at[0]
        return done

    def _stands(self) -> tuple[int, ...]:
        return tuple(int(axis[0]) for axis in self._crane_word()["axes"])

    # ------------------------------------------------------------ orders
    def _must(self, node: str, act: str, **fields: Any) -> Looks:
        sent = yield from self._job(node, act, **fields)
        if sent is None or sent.state != "done":
            raise _Ended(f"{node}: {act} came to nothing", held=True)

    def _job(self, node: str, act: str, **fields: Any) -> Generator[None, None, SentOrder | None]:
        """Order a job as soon as every rule lets it, and wait for its end; None where no rule let it in time."""
        self.phase = Phase.MOVING
        since, step = self.supervisor.now_ms, Step(node, act, fields)
        while why := (self.supervisor.why_not(step) if not self.held else "it is held"):
            if self.supervisor.now_ms - since > ORDER_MS and not self.held:
                self._tell(f"not done: {why}")
                return None
            yield
        missing = self.gates.before_job(node, self.jogs.hoist)
        if missing:
            raise _Ended(missing, held=True)
        before = len(self.supervisor.history)
        self.supervisor.start(step)
        session = self.supervisor.sessions[node]
        since, limit_ms = self.supervisor.now_ms, self.crane.job_timeout_ms + 2 * CLAIM_MS
        while len(self.supervisor.history) == before or not session.idle() or not self._told(node):
            if self.held:
                since = self.supervisor.now_ms
            if self.supervisor.now_ms - since > limit_ms:
                raise _Ended(f"{node} has said nothing of the end of its {act}", held=True)
            yield
        sent: SentOrder = self.supervisor.history[-1][2]
        if sent.state != "done":
            self._tell(f"{node}: {act} {sent.state}" + (f" ({sent.reason})" if sent.reason else ""))
        return sent

    def _told(self, node: str) -> bool:
        """Whether its newest state is newer than the end of its job."""
        return bool(self._crane_word() if node == self.plan.crane else self._berth_word())

    def _hold_berth(self) -> Looks:
        if self.berth not in self.supervisor.holds:
            self.supervisor.hold(self.berth, BY)
        yield from self._until(
            lambda: not self.gates.not_held(), CLAIM_MS, lambda: f"{self.berth} does not say that it is held"
        )

    def _free_berth(self) -> Looks:
        why = self.supervisor.release(self.berth) if self.berth in self.supervisor.holds else ""
        if why:
            raise _Ended(f"{self.berth} cannot be let go: {why}", held=True)
        nodes = self.supervisor.look
        yield from self._until(
            lambda: bool(self._berth_word()) and not nodes().nodes[self.berth].held,
            CLAIM_MS,
            lambda: f"{self.berth} stays held",
        )

    # ------------------------------------------------------------ waiting
    def _until(self, so: Callable[[], bool], within_ms: int, why: Callable[[], str]) -> Looks:
        since = self.supervisor.now_ms
        while not so():
            if self.supervisor.now_ms - since > within_ms:
                raise _Ended(why(), held=True)
            yield

    def _wait_for(self, phase: Phase, ask: str) -> None:
        self.phase, self._spoke_ms = phase, self.supervisor.now_ms
        if ask:
            self._tell(ask)

    def _next_word(self, *known: str) -> Generator[None, None, Word]:
        while True:
            while self._word is None or self.held:
                yield
            word, self._word = self._word, None
            self._cut_short = False
            if word[0] in known:
                return word
            self._tell(f"'{word[0]}' is not for now; say one of: {', '.join(sorted(known))}")

    def _berth_word(self) -> Any:
        return self.supervisor.sessions[self.berth].word("train-arrival") or {}

    def _crane_word(self) -> Any:
        return self.supervisor.sessions[self.plan.crane].word("crane-status") or {}
