"""A scenario as it is played: when which event happens, what was asked, and what came of it in the end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Protocol

from reference_node.scenario.observation import Observation, asked_of_a_person
from reference_node.scenario.scenario import Answer, Event, Scenario
from reference_node.scenario.simulated_yard import SimulatedYard
from reference_node.supervisor.observe.boxes import UNSURE
from reference_node.supervisor.open_goals import open_goals
from reference_node.supervisor.plan.problem_builder import BESIDES
from reference_node.supervisor.questions.question import Question, Withdrawn
from reference_node.supervisor.supervisor import Supervisor


class Stage(Protocol):
    """Where a scenario is played."""

    @property
    def now_ms(self) -> int:
        """The time."""

    def happen(self, event: Event) -> None:
        """Make `event` happen now."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """How a scenario ended. `wrong` says what was not as expected; nothing wrong is as it should be."""

    met: bool
    took_ms: int
    jobs: int
    failed: int
    asked: tuple[str, ...]
    withdrawn: tuple[str, ...]
    """Questions that nobody may answer any more and that were not asked again, each with why."""
    alarms: tuple[str, ...]
    waiting: tuple[str, ...]
    open: tuple[str, ...]
    """Goals that were not seen to be met."""
    wrong: tuple[str, ...]
    log: tuple[str, ...] = field(repr=False)


class Story:
    """Follows a supervisor, life by life, through a scenario."""

    def __init__(self, scenario: Scenario, stage: Stage, started_ms: int) -> None:
        self.scenario, self._stage, self.started_ms = scenario, stage, started_ms
        self.asked: list[str] = []
        self.log: list[str] = []
        self._left = list(scenario.events)
        self._due: list[tuple[int, Event]] = []
        self._looked_for: list[Observation] = []
        self._questions: list[Question] = []
        self._lives: list[Supervisor] = []
        self._written = 0
        self._met_ms: int | None = None
        self.closed = False
        """Set once nothing more is to happen: what waits is left undone, and said in the end."""

    @property
    def supervisor(self) -> Supervisor:
        """The one at work."""
        return self._lives[-1]

    @property
    def is_over(self) -> bool:
        """Whether all goals are met and nothing is still to happen, or to be seen."""
        return self._met_ms is not None and not (self._due or self._left or self._looked_for)

    def lives(self, supervisor: Supervisor) -> None:
        """A supervisor has started, for the first time or again."""
        if self._lives:
            self._read_journal()
        self._lives.append(supervisor)
        self._written = 0

    def is_asked(self, question: Question) -> None:
        """A question has come up."""
        self._questions.append(question)
        self.asked.append(f"{question.about} {question.place or question.node}")
        self.tell(f"asks: {question.text}")

    def look_for(self, event: Event) -> Observation:
        """A person was asked to make `event` happen: it has not until the bus shows it, or the person says so."""
        asked = asked_of_a_person(event, self.supervisor)
        self._looked_for.append(asked)
        return asked

    def said_done(self) -> str:
        """A person says that what the bus cannot show was done; gives what that is, '' if there was nothing."""
        told = [one for one in self._looked_for if not one.on_the_bus]
        self._looked_for = [one for one in self._looked_for if one not in told]
        return ", ".join(str(one.event) for one in told)

    def tell(self, text: str) -> None:
        """Write a line with the time in seconds since the start."""
        self.log.append(f"{(self._stage.now_ms - self.started_ms) / 1000:7.1f}  {text}")

    def go_on(self) -> None:
        """Make happen what is due, and read what was decided."""
        now_ms = self._stage.now_ms
        for event in () if self.closed else list(self._left):
            if self._is_triggered(event):
                self._left.remove(event)
                self._due.append((now_ms + event.then_ms, event))
        for due_ms, event in () if self.closed else list(self._due):
            if now_ms >= due_ms:
                self._due.remove((due_ms, event))
                self.tell(f"*** {event}")
                self._stage.happen(event)
        for asked in [one for one in self._looked_for if one.is_seen(self.supervisor)]:
            self._looked_for.remove(asked)
            self.tell(f"seen on the bus: {asked.event}")
        self._read_journal()
        if self.supervisor.finished and self._met_ms is None:
            self._met_ms = now_ms
        elif not self.supervisor.finished:
            self._met_ms = None

    def _is_triggered(self, event: Event) -> bool:
        if event.at_ms is not None:
            return self._stage.now_ms - self.started_ms >= event.at_ms
        if event.after_job is not None:
            return len(list(self._jobs())) >= event.after_job
        node, _, said = event.when.partition(" ")
        session = self.supervisor.sessions.get(node)
        if session is None:
            return False
        step = session.job.step if session.job is not None else ""
        states = [word.get(key) for word in session.words.values() for key in ("state", "mode")]
        return said in (step, *states)

    def _jobs(self) -> Iterator[str]:
        """States in which jobs ended, homing and parking not counted."""
        for supervisor in self._lives:
            for _, _, sent in supervisor.history:
                if sent.act not in BESIDES:
                    yield sent.state

    def _read_journal(self) -> None:
        journal = self.supervisor.journal
        new = journal.written - self._written
        if new:
            for entry in list(journal.entries)[-new:]:
                self.log.append(f"{(entry.at_ms - self.started_ms) / 1000:7.1f}  {entry.text}")
            self._written = journal.written

    # ------------------------------------------------------------ the end
    def outcome(
        self, yard: SimulatedYard | None, breaches: Sequence[str], *, stopped: bool = False
    ) -> Outcome:
        """How it ended, or as far as it came when it was `stopped`; what really stands where is known only of a
        simulated `yard`.
        """
        jobs = list(self._jobs())
        end_ms = self._met_ms if self._met_ms is not None else self._stage.now_ms
        outcome = Outcome(
            self._met_ms is not None, end_ms - self.started_ms, len(jobs),
            sum(state in ("failed", "unknown") for state in jobs), tuple(self.asked),
            tuple(_told(one) for one in self.supervisor.open_questions.withdrawn),
            tuple(alarm.what for supervisor in self._lives for alarm in supervisor.journal.alarms),
            tuple(dict.fromkeys((*self.supervisor.waiting.values(), *self.supervisor.troubles))),
            open_goals(self.supervisor), (), tuple(self.log),
        )  # fmt: skip
        wrong = (
            *breaches,
            *self._unplayed(stopped=stopped),
            *self._otherwise(outcome),
            *(self._stands_otherwise(yard) if yard is not None else self._is_known_otherwise()),
        )
        return Outcome(**{**{name: getattr(outcome, name) for name in outcome.__slots__}, "wrong": wrong})

    def _unplayed(self, *, stopped: bool) -> Iterator[str]:
        """What of the scenario was not played, so that nothing can be said of it."""
        if stopped:
            yield "it was stopped before its end"
        if not any(life.was_owned for life in self._lives):
            silent = [
                name for name, session in self.supervisor.sessions.items() if not session.has_reported()
            ]
            yield f"never heard of and claimed: {', '.join(silent) or 'any node'}"
        for event in (*self._left, *(event for _, event in self._due)):
            yield f"this never happened: {event} ({event.trigger})"
        for asked in self._looked_for:
            yield (
                f"this was not seen on the bus: {asked.event}"
                if asked.on_the_bus
                else (f"nobody said that this was done: {asked.event}")
            )
        for answer in self.scenario.answers:
            if not any(_is_given(answer, question) for question in self._questions):
                said = " ".join(word or "-" for word in answer.say)
                yield f"nobody answered the question about {answer.about} {answer.where} with: {said}"

    def _otherwise(self, outcome: Outcome) -> Iterator[str]:
        expect = self.scenario.expect
        if outcome.met is not expect.met:
            why = "; ".join((*outcome.waiting, *(question.text for question in self.supervisor.questions)))
            yield f"the goals are {'met' if outcome.met else 'not met'}" + (f": {why}" if why else "")
        if expect.ends_within_ms is not None and outcome.took_ms > expect.ends_within_ms:
            yield f"it took {outcome.took_ms / 1000:.0f} s instead of at most {expect.ends_within_ms // 1000} s"
        for question in expect.asked:
            if question not in outcome.asked:
                yield f"nobody asked about {question}"
        for question in expect.not_asked:
            if question in outcome.asked:
                yield f"somebody asked about {question}"
        failures = self.scenario.expected_failures
        if failures is not None and outcome.failed != failures:
            yield f"{outcome.failed} jobs failed or ended unknown, not {failures}"
        if len(outcome.alarms) != expect.alarms:
            told = f" ({'; '.join(outcome.alarms)})" if outcome.alarms else ""
            yield f"{len(outcome.alarms)} alarms, not {expect.alarms}{told}"
        if expect.waits_for and not any(expect.waits_for in why for why in outcome.waiting):
            yield f"nothing waits for {expect.waits_for!r}, but for: {'; '.join(outcome.waiting) or 'nothing'}"

    def _stands_otherwise(self, yard: SimulatedYard) -> Iterator[str]:
        expect = self.scenario.expect
        for box, spot in expect.boxes.items():
            really = yard.really(spot.place)[spot.slot]
            if really != box:
                yield f"{spot.place} slot {spot.slot} holds {really or 'nothing'} instead of {box}"
        for box in sorted(set(expect.gone) - yard.gone()):
            yield f"box {box} has not left with a train"

    def _is_known_otherwise(self) -> Iterator[str]:
        """Of a real yard only what its nodes have said is known."""
        expect, world = self.scenario.expect, self.supervisor.inventory
        for box, spot in expect.boxes.items():
            held = world.at(spot)
            told = "nobody knows what" if held == UNSURE else held or "nothing"
            if held != box:
                yield f"{spot.place} slot {spot.slot} holds {told} instead of {box}, by what was said on the bus"
        gone = {box for life in self._lives for box in life.inventory.gone}
        for box in sorted(set(expect.gone) - gone):
            yield f"box {box} was not seen to leave with a train"


def _told(one: Withdrawn) -> str:
    return f"{one.question.about} {one.question.key.where}: {one.why}"


def _is_given(answer: Answer, question: Question) -> bool:
    about = answer.about == question.about and answer.where in (question.node, question.place)
    return about and question.found == answer.say
