"""The course of a measurement: a train in, at rest, the crane jogged until 'that is it', the train out, again.

Pure: time comes from the supervisor, words from `say`. Everything that moves is ordered by a word of the person who
is there, through the gates; whatever fails them ends it, and everything that reaches there is held.
"""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import Any

from reference_node.measuring.gates import name_is_ours_ms
from reference_node.measuring.jobs import BY, CLAIM_MS, Ended, Jobs, Looks
from reference_node.measuring.measuring_supervisor import MeasuringSupervisor
from reference_node.measuring.plan import Found, Phase, Plan
from reference_node.measuring.ways import Ways
from reference_node.measuring.words import AT_REST, HELP, NotUnderstood, Word, word_of


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
        self.jobs = Jobs(supervisor, plan, tell)
        self.ways = Ways(self.jobs, plan, tell)
        self.gates, self.berth = self.jobs.gates, self.jobs.berth
        self.ended = ""
        """Why it is over; '' while it is not."""
        self.stays_held = False
        """Whether it has ended with everything held that reaches there."""
        self._next_train: str | None = None
        """Which train to let in without another word; None where somebody has to say so."""
        self._let_in_so_far = 0
        self._found, self._tell = found, tell
        self._word: Word | None = None
        self._spoke_ms = supervisor.now_ms
        self._steps = self._whole()

    @property
    def phase(self) -> Phase:
        """What it waits for."""
        return self.jobs.phase

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
        elif self.jobs.held:
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
        return self._word is None and (
            self.jobs.held or self.phase in (Phase.ASKED, Phase.TRAIN, Phase.AT_REST)
        )

    def hold(self) -> None:
        """Hold everything that reaches there. It is never asked back, and no emergency stop."""
        self.jobs.held = self.ways.cut_short = True
        self.jobs.hold_near()
        self._tell(f"held: {', '.join(self.gates.near)}; no emergency stop. 'resume' goes on, 'quit' ends")

    def _resume(self) -> None:
        """Let go what this measurement moves: the crane, and the berth where no train stands to be measured."""
        if not self.jobs.held:
            self._tell("nothing is held by 'hold'")
            return
        going = [self.plan.crane] + ([] if self._keeps_berth else [self.berth])
        for name in [one for one in going if one in self.supervisor.holds]:
            why = self.supervisor.release(name)
            if why:
                self._tell(f"not resumed: {why}")
                return
        self.jobs.held = False

    @property
    def _keeps_berth(self) -> bool:
        return self.jobs.berth_word.get("state") == "at-rest" and self.supervisor.sessions[self.berth].idle()

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
        if self.phase is Phase.MOVING or self.jobs.held:
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
        waits = self.phase in (Phase.ASKED, Phase.TRAIN, Phase.AT_REST) or self.jobs.held
        if not waits:
            self._spoke_ms = self.supervisor.now_ms
        elif self.supervisor.now_ms - self._spoke_ms > self.plan.patience_ms:
            self._end(f"nobody has said anything for {self.plan.patience_ms // 1000} s", held=True)
            return
        try:
            next(self._steps)
        except Ended as ending:
            self._end(str(ending), held=ending.held)

    def stop(self, why: str) -> None:
        """End it from outside, as by Ctrl-C: hold everything that reaches there."""
        if not self.ended:
            self._end(why, held=True)

    def _end(self, why: str, *, held: bool) -> None:
        self.ended, self.stays_held = why or "ended by a person", held
        self.jobs.phase = Phase.OVER
        self.supervisor.wind_up()
        if held:
            self.jobs.hold_near()
            return
        for name in [one for one in self.gates.near if one in self.supervisor.holds]:
            why = self.supervisor.release(name)
            if why:
                self._tell(f"{name} stays held: {why}")

    # ------------------------------------------------------------ the whole
    def _whole(self) -> Looks:
        yield from self._begin()
        while True:
            if self.jobs.berth_word.get("state") != "at-rest":
                yield from self._let_in()
            yield from self._at_rest()
            yield from self._let_out()

    def _begin(self) -> Looks:
        within_ms = name_is_ours_ms() + CLAIM_MS
        yield from self.jobs.until(lambda: not self.gates.not_claimed(), within_ms, self.gates.not_claimed)
        yield from self._same_tables()
        for name in self.gates.others:
            self.supervisor.hold(name, BY)
        yield from self.jobs.until(
            lambda: not self.gates.before_motion(), within_ms, self.gates.before_motion
        )
        self.gates.passed()
        self._tell(f"claimed; held: {', '.join(self.gates.others) or 'nobody else reaches there'}")
        yield from self._asked()
        yield from self.jobs.hold_berth()
        if self.jobs.crane_word.get("mode") == "unhomed":
            self._tell(f"{self.plan.crane} homes")
            yield from self.jobs.must(self.plan.crane, "home")
        yield from self.ways.raised()

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
            self.jobs.phase = Phase.ASKED if self.supervisor.questions else Phase.MOVING
            question = next(iter(self.supervisor.questions), None)
            if question is not None and question is not told:
                told = question
                self._tell(f"{question.text} Say 'yes' once it is so")
            yield
        self.jobs.phase = Phase.STARTING

    def _not_ready(self) -> bool:
        """Whether berth or crane wait for a person, or are only just let go again."""
        berth, crane = self.jobs.berth_word, self.jobs.crane_word
        known = bool(berth) and bool(crane)
        free = not any(self.supervisor.look().nodes[name].held for name in (self.berth, self.plan.crane))
        return not (known and free and berth["state"] != "lost" and crane["mode"] in ("ready", "unhomed"))

    def _let_in(self) -> Looks:
        while True:
            yield from self.jobs.free_berth()
            yield from self._asked()
            if self._next_train is None:
                self._wait_for(Phase.TRAIN, "put a train where trains wait, then say: admit [TRAIN]")
                word = yield from self._next_word("admit")
                self._next_train = (*word[1], "")[0]
            train, self._next_train = self._next_train or self._in_turn(), None
            sent = yield from self.jobs.job(self.berth, "admit", **({"train": train} if train else {}))
            if sent is not None and sent.state == "done" and self.jobs.berth_word.get("state") == "at-rest":
                return

    def _in_turn(self) -> str:
        self._let_in_so_far += 1
        trains = self.plan.trains
        return trains[(self._let_in_so_far - 1) % len(trains)] if trains else ""

    def _let_out(self) -> Looks:
        yield from self.jobs.free_berth()
        yield from self.jobs.must(self.berth, "depart")

    def _at_rest(self) -> Looks:
        """The berth is held while the crane is jogged."""
        self.ways.came_up = None
        yield from self.jobs.hold_berth()
        word = self.jobs.berth_word
        arrival, reading = int(word["arrival"]), int(word["reading"])
        train = f", {word['train']}" if word.get("train") else ""
        self._tell(f"at rest: reading {reading}, arrival {arrival}{train}")
        while True:
            self._wait_for(Phase.AT_REST, "")
            name, rest = yield from self._next_word(*AT_REST)
            now = self.jobs.berth_word
            if (now.get("state"), now.get("arrival")) != ("at-rest", arrival):
                raise Ended(f"the train at {self.berth} is not at rest any more", held=True)
            match name:
                case "it":
                    self._it(now, float(rest[0]) if rest else 0.0)
                case "raise":
                    yield from self.ways.raised()
                case "over":
                    yield from self.ways.over(reading)
                case "step":
                    yield from self.ways.step(rest[0], int(rest[1]))
                case _:
                    self._next_train = (*rest, "")[0] if name == "next" else None
                    if (yield from self.ways.raised()):
                        return
                    self._next_train = None

    def _it(self, berth: Any, rest: float) -> None:
        crane = self.jobs.crane_word
        position, target, homed = crane["axes"][0]
        if not homed or position != target or crane["mode"] != "ready":
            self._tell(f"not kept: {self.plan.crane} does not stand at its target")
            return
        shifted = position + rest - self.ways.entry.slots[self.plan.slot][0]
        reading, arrival = int(berth["reading"]), int(berth["arrival"])
        self._found(Found(reading, shifted, self.ways.came_up, str(berth.get("train", "")), arrival))

    # ------------------------------------------------------------ waiting
    def _wait_for(self, phase: Phase, ask: str) -> None:
        self.jobs.phase, self._spoke_ms = phase, self.supervisor.now_ms
        if ask:
            self._tell(ask)

    def _next_word(self, *known: str) -> Generator[None, None, Word]:
        while True:
            while self._word is None or self.jobs.held:
                yield
            word, self._word = self._word, None
            self.ways.cut_short = False
            if word[0] in known:
                return word
            self._tell(f"'{word[0]}' is not for now; say one of: {', '.join(sorted(known))}")
