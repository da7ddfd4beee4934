"""The prompt of `yardwire supervise`: plain words in, what was decided out."""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from conformance.commands.terminal.streams import red
from conformance.page.server.desk import Call
from conformance.page.server.saved_orders import SavedOrders
from protocol.trouble import Trouble
from reference_node.supervisor.observe.gap import AWAY, GO_ON
from reference_node.supervisor.person.by_hand import EVERY, NOTHING, ByHand, NumberedQuestion
from reference_node.supervisor.send.holds import Held

HELP = """\
list                          every node: state, job, what it waits for
where                         what stands where
plan                          what is planned and under way
bring BOX PLACE SLOT          plan for a box to stand there
train BERTH NAME BOX=SLOT ..  plan for a train to come, be loaded and leave
goals                         what is still to be met, and what blocks it
drop GOAL                     give a goal up, by its number
reorder GOAL POSITION         put a goal at another position, counted from 1
look WORDS                    what any of these would do, without doing it:
                              'look bring C-101 stack-s 0'
transfer CRANE FROM SLOT TO SLOT
                              one order by hand; FROM may be 'spreader', no SLOT
home CRANE   park CRANE   jog CRANE X Y Z
run SHUTTLE STOP   admit BERTH [TRAIN]   depart BERTH   cancel NODE
hold [NODE ..]                an operational stop, never an emergency stop; no
                              NODE: every node
resume NODE ..                let go on what is held, each by its name
go on                         what was open when the bus fell goes on
saved                         orders that are kept under a name
send NAME                     send one of them, as if you had said it now
save NAME WORDS               keep an order: 'save tidy park north'
tell PLACE SLOT BOX           what a person saw there; '-' for nothing
questions                     what only a person can answer
answer NUMBER WORD ...        one word a slot, '-' for nothing
log                           the newest decisions
done                          what a scenario told you to do is done
quit                          stop ordering; jobs under way come to their end
Slots count from 0."""
SHOWN = 20

Reply = list[str]


class DeskCall(NamedTuple):
    """One call of a person's desk, with what was said."""

    name: str
    given: tuple[Any, ...]
    fields: Mapping[str, Any] = {}


Act = Callable[[Sequence[str]], "str | None"]


class Prompt:
    """Reads one line and does what it says, on the thread that owns the supervisor. Gives lines to print."""

    def __init__(self, hand: ByHand, saved: SavedOrders | None = None) -> None:
        """`saved` are orders that are kept under a name."""
        self._hand = hand
        self._saved = saved
        self._looks: dict[str, Callable[[], Iterator[str]]] = {
            "list": self._list, "where": self._where, "plan": self._plan, "goals": self._goals, "log": self._log,
            "questions": self._questions, "saved": self._list_saved,
            "help": lambda: iter(HELP.splitlines()), "?": lambda: iter(HELP.splitlines()),
        }  # fmt: skip
        self._does: dict[str, tuple[range, Act]] = {
            "resume": (range(99), self._resume),
            "go": (range(1, 2), lambda w: hand.go_on() if w[0] == "on" else f"say {GO_ON!r}"),
        }  # fmt: skip
        self._asks: dict[str, tuple[range, Callable[[Sequence[str]], DeskCall]]] = {
            "bring": (range(3, 4), lambda w: DeskCall("want", (w[0], w[1], int(w[2])))),
            "train": (range(2, 99), _train),
            "drop": (range(1, 2), lambda w: DeskCall("drop", (int(w[0]),))),
            "reorder": (range(2, 3), lambda w: DeskCall("reorder", (int(w[0]), int(w[1])))),
            "transfer": (range(4, 6), _transfer),
            "home": (range(1, 2), lambda w: DeskCall("order", (w[0], "home"))),
            "park": (range(1, 2), lambda w: DeskCall("order", (w[0], "park"))),
            "jog": (range(2, 6), lambda w: DeskCall("order", (w[0], "jog"), {"target": [int(one) for one in w[1:]]})),
            "run": (range(2, 3), lambda w: DeskCall("order", (w[0], "run"), {"to": w[1]})),
            "admit": (range(1, 3), lambda w: DeskCall("order", (w[0], "admit"), {"train": w[1]} if len(w) > 1 else {})),
            "depart": (range(1, 2), lambda w: DeskCall("order", (w[0], "depart"))),
            "cancel": (range(1, 2), lambda w: DeskCall("order", (w[0], "cancel"))),
            "send": (range(1, 2), self._send),
            "tell": (range(3, 4), lambda w: DeskCall("tell", (w[0], int(w[1]), None if w[2] == NOTHING else w[2]))),
            "answer": (range(1, 99), lambda w: DeskCall("answer", (int(w[0]), " ".join(w[1:]) or "yes"))),
        }  # fmt: skip

    def do(self, line: str) -> Reply:
        """What one line brought about."""
        try:
            words = shlex.split(line, comments=True)
        except ValueError as error:
            return [f"not understood: {error}"]
        if not words:
            return []
        name, *rest = words
        if name == "hold":
            return self._hold(rest)
        if name == "save":
            return self._save(rest)
        if name in self._looks:
            return list(self._looks[name]()) or ["nothing"]
        looking = name == "look"
        if looking:
            name, *rest = rest or [""]
        if name in self._asks:
            return self._ask(name, rest, looking=looking)
        if looking or name not in self._does:
            return [
                f"there is no '{name}'; say 'help'" if not looking else f"'{name}' cannot be looked at first"
            ]
        wanted, act = self._does[name]
        if len(rest) not in wanted:
            return [f"say it like this: {_usage(name)}"]
        why = act(rest)
        return [f"not done: {why}"] if why else ["taken"]

    def _ask(self, name: str, words: Sequence[str], *, looking: bool) -> Reply:
        """Check what was asked for, and do it unless it is only looked at."""
        wanted, read = self._asks[name]
        if len(words) not in wanted:
            return [f"say it like this: {_usage(name)}"]
        try:
            ask = read(words)
        except LookupError as error:
            return [f"not done: {error.args[0]}"]
        except ValueError:
            return [f"a number is missing; say it like this: {_usage(name)}"]
        review = self._hand.review(ask.name, *ask.given, **ask.fields)
        if looking:
            said = [f"would be refused: {review.refused}"] if review.refused else [f"would do: {review.will}"]
        else:
            why = getattr(self._hand, ask.name)(*ask.given, **ask.fields)
            said = [f"not done: {why}"] if why else ["taken"]
        return said + ([f"goal blocked for now: {review.blocked}"] if review.blocked else [])

    # ------------------------------------------------------------ orders under a name
    def _send(self, words: Sequence[str]) -> DeskCall:
        """The order that was saved; it goes the way of every other from here. Raises LookupError."""
        found = self._saved.get(words[0]) if self._saved is not None else None
        if found is None:
            known = ", ".join(one.name for one in self._saved or ())
            raise LookupError(f"there is no saved order '{words[0]}'; saved: {known or 'none'}")
        call = found.call()
        return DeskCall(call.name, call.given, call.fields)

    def _save(self, words: Sequence[str]) -> Reply:
        """Keep an order; nothing is sent."""
        if self._saved is None or len(words) < 2 or words[1] not in self._asks or words[1] == "send":
            return [f"say it like this: {_usage('save')}"]
        name, act, *rest = words
        wanted, read = self._asks[act]
        if len(rest) not in wanted:
            return [f"say it like this: {_usage(act)}"]
        try:
            ask = read(rest)
            why = self._saved.save(name, Call(ask.name, ask.given, dict(ask.fields)))
        except ValueError:
            return [f"a number is missing; say it like this: {_usage(act)}"]
        except Trouble as trouble:
            why = str(trouble)
        return [f"not saved: {why}" if why else f"saved: 'send {name}' sends it"]

    def _list_saved(self) -> Iterator[str]:
        for one in self._saved or ():
            yield f"{one.name:<24} {one.words}"

    def _hold(self, words: Sequence[str]) -> Reply:
        """What has become of each hold so far: 'taken' would not be all of the truth."""
        said = [f"not done: {why}" for why in map(self._hand.hold, words or [EVERY]) if why]
        asked = [one for one in self._hand.held() if not words or one.node in words]
        return said + [self._of_hold(one) for one in asked]

    def _resume(self, words: Sequence[str]) -> str | None:
        held = [one.node for one in self._hand.held()]
        if held and (not words or EVERY in words):
            return f"hands clear of each? Then say 'resume {' '.join(held)}'; it moves on at once"
        return self._hand.resume(*(word for word in words if word != EVERY))

    def _of_hold(self, one: Held) -> str:
        by = f" by {one.by}" if one.by else ""
        told = f"{one.node:<12} held{by} for {one.for_ms // 1000} s: {one.says}"
        return red(told) if one.late else told

    # ------------------------------------------------------------ looking
    def _list(self) -> Iterator[str]:
        supervisor = self._hand.supervisor
        if not supervisor.linked:
            yield red(AWAY)
        for name, session in supervisor.sessions.items():
            words = session.words
            states = [str(word[key]) for word in words.values() for key in ("mode", "state") if key in word]
            known = "owned" if session.owned else session.belief
            heard = "" if session.reachable(supervisor.now_ms) else ", not heard lately"
            job = f", {session.job.act} {session.job.step}".rstrip() if session.job is not None else ""
            state = next((state for state in states if state not in ("on", "off")), "unknown")
            yield f"{name:<12} {state}, {known}{job}{heard}"
        yield from (self._of_hold(one) for one in self._hand.held())
        yield from (f"waits: {what}: {why}" for what, why in supervisor.waiting.items())
        yield from (f"trouble: {what}" for what in supervisor.troubles)

    def _where(self) -> Iterator[str]:
        inventory = self._hand.supervisor.inventory
        for place, slots in inventory.slots.items():
            yield f"{place:<12} " + "  ".join(
                f"{number}:{box or NOTHING}" for number, box in enumerate(slots)
            )
        for crane, box in inventory.spreaders.items():
            yield f"{crane:<12} spreader: {box or NOTHING}"

    def _plan(self) -> Iterator[str]:
        execution = self._hand.supervisor.execution
        if execution.plan is not None:
            yield str(execution.plan)
        yield from (f"under way: {task}" for task in execution.under_way.values())
        yield from (f"to do: {task}" for task in execution.todo)

    def _goals(self) -> Iterator[str]:
        for goal in self._hand.goals():
            yield f"{goal.number}  {goal.text}"
            if goal.blocked:
                yield f"   goal blocked: {goal.blocked}"

    def _questions(self) -> Iterator[str]:
        for question in self._hand.questions():
            yield f"{question.number}  {question.text}"
            yield f"   {_how(question)}"
        for gone in self._hand.withdrawn():
            yield red(f"{gone.number}  WITHDRAWN, do not answer: {gone.text} {gone.why}")

    def _log(self) -> Iterator[str]:
        yield from self._hand.events()[-SHOWN:]


def _how(question: NumberedQuestion) -> str:
    """What to type to answer it."""
    if not question.choices:
        return (
            f"say 'answer {question.number} WORD ...': a box's label or '{NOTHING}' for nothing, one a slot"
        )
    return "say " + " or ".join(f"'answer {question.number} {choice}'" for choice in question.choices)


def _usage(name: str) -> str:
    row = next((row for row in HELP.splitlines() if row.startswith(name)), name)
    return row.split("  ")[0]


def _transfer(words: Sequence[str]) -> DeskCall:
    crane, start, *rest = words
    if start == "spreader" and len(rest) == 2:
        return DeskCall("order", (crane, "transfer"), {"to": rest[0], "to_slot": int(rest[1])})
    if len(rest) != 3:
        raise ValueError
    fields = {"from": start, "from_slot": int(rest[0]), "to": rest[1], "to_slot": int(rest[2])}
    return DeskCall("order", (crane, "transfer"), fields)


def _train(words: Sequence[str]) -> DeskCall:
    berth, train, *boxes = words
    pairs = [one.partition("=") for one in boxes]
    return DeskCall("want_train", (berth, train, [(int(slot), box) for box, _, slot in pairs]))
