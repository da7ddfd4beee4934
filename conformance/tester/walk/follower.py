"""Keeps what a node may be while letters are played to it, and holds what it shows against what may follow."""

from __future__ import annotations

from dataclasses import dataclass

from conformance.suite.fixture import Fixture
from conformance.suite.verdict import Broken
from conformance.suite.walk.derivation import Derivation
from conformance.suite.walk.desk import Desk
from conformance.suite.walk.letters import Letter
from conformance.suite.walk.seen import Candidate, Difference, Step, candidates
from conformance.tester.walk.player import Player

UNPICKED = ("travel-to-pick", "lower-to-pick")
"""Steps of a transfer in which nothing is picked yet."""


@dataclass(frozen=True, slots=True)
class Played:
    """A letter that was played, and what it showed."""

    step: Step
    left: tuple[Candidate, ...]
    """Every way in which it may have gone."""
    belief: tuple[Desk, ...]
    """The states in which the node may have been when it was sent."""

    @property
    def before(self) -> Desk | None:
        """The state in which the letter came; None where it may have been one of several."""
        came = dict.fromkeys(one.before for one in self.left)
        # A job that goes on by itself may have gone on before the letter came; mostly it has not.
        likely = [desk for desk in came if desk in self.belief] or list(came)
        return likely[0] if len(likely) == 1 else None

    @property
    def now(self) -> tuple[Desk, ...]:
        """The states in which the node may be."""
        return tuple(dict.fromkeys(one.now for one in self.left))


class Follower:
    """`belief` is every state that the node may be in by all that was seen."""

    def __init__(self, player: Player, derivation: Derivation) -> None:
        """The player's node must not be held, and have no open job."""
        self.player, self.derivation = player, derivation
        seen = player.seen
        shown = Desk(
            seen.machines, seen.job_state or "none", held=seen.held, load=seen.load, homed=seen.homed
        )
        self.belief: tuple[Desk, ...] = (shown,)

    @property
    def fixture(self) -> Fixture:
        """The fixture that the player plays on."""
        return self.player.fixture

    @property
    def desk(self) -> Desk:
        """The likeliest of the states that the node may be in."""
        return self.belief[0]

    def play(self, letter: Letter) -> Played | None:
        """Play a letter; None where by now it does not apply. Raises Broken where the node does what it must not."""
        if self.player.serve():
            self._gone_on()
        possible = candidates(self.derivation, self.belief, letter)
        if not possible:
            return None
        mark = self.fixture.log.end
        step = self.player.play(letter)
        if step.after.boot != step.before.boot:
            seen = f"boot {step.after.boot}: the node restarted"
            raise Broken("MSG-05", f"boot {step.before.boot} as before", seen)
        left, difference, judged = step.judge(possible, self.fixture.node.roles)
        for requirement in judged:
            self.fixture.judged[requirement] += 1
        if difference is not None:
            self._broken(letter, difference)
        left = self._by_steps(left, mark)
        belief, self.belief = self.belief, tuple(dict.fromkeys(one.now for one in left))
        return Played(step, tuple(left), belief)

    def _gone_on(self) -> None:
        """A job that goes on by itself was given its load: believe what is shown now."""
        drifted = [after for desk in self.belief for after, _ in self.derivation.drift(desk)]
        fitting = dict.fromkeys(one for one in drifted if self.player.seen.fits(one))
        self.belief = tuple(fitting) or self.belief

    def _broken(self, letter: Letter, difference: Difference) -> None:
        """End the walk. What the node's minor version does not have is no reason for it: ORD-20 is then."""
        known = difference.requirement in self.fixture.asked.requirements
        expected = f"{difference.expected} on {letter.says}, in state '{self.desk}'"
        at = self.fixture.log.messages[-1].number
        raise Broken(difference.requirement if known else "ORD-20", expected, difference.seen, at)

    def _by_steps(self, left: list[Candidate], sent: int) -> list[Candidate]:
        """What is left where the node tells the step of its transfer; it need not."""
        if any(one.outcome.begun for one in left):
            return left
        came, is_ = self._tells_picked(sent), self._tells_picked(self.fixture.log.end)
        left = [one for one in left if came in (None, one.before.picked) or not one.before.open] or left
        return [one for one in left if is_ in (None, one.now.picked) or not one.now.open] or left

    def _tells_picked(self, until: int) -> bool | None:
        """Whether the job is past return by the last step that was told of it; None where none was."""
        sent = self.player.job
        if sent is None or sent.act != "transfer":
            return None
        told = (
            m
            for m in self.fixture.log.since(sent.before)
            if m.number <= until and m.is_report("transfer", order=sent.id)
        )
        steps = [str(m.body["step"]) for m in told if "step" in m.body]
        return steps[-1] not in UNPICKED if steps else None
