"""What the specification and the suite say of one name: an id, a case, a word on the bus, a time or a size."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from conformance.publish.site.judged import JUDGE, is_judged, judged_in_every_case
from conformance.publish.site.made.site_fields import PARTS, site_fields
from conformance.suite.case import Case, all_cases
from conformance.suite.traceability import table
from conformance.tester.walk.walk_case import walk_case
from protocol.specification import Figure, Requirement, Specification, specification

WORDS = {
    "act": "an order (act)",
    "job_state": "a state of a job",
    "reason": "a reason of a report",
    "fault_code": "a fault",
    "level": "a level of a fault",
    "sensor": "a sensor that a stimulus plays",
    "step": "a step of a job",
    "role": "a role",
}
"""Shared enumerations whose words can be explained, and what a word of each is."""
OF_ITSELF = {"step": "what the job is doing now, as a job-report says", "sensor": "a level, true for closed"}
"""What is said of a word whose name says the rest."""
FACT = "what a guard looks at"


@dataclass(frozen=True, slots=True)
class Entry:
    """What there is to say of one name."""

    name: str
    kind: str
    """What it is, in words: 'a requirement', 'a fault'."""
    says: str
    more: tuple[tuple[str, str], ...] = ()
    """Further facts, each with its label."""
    see: tuple[str, ...] = field(default=())
    """Names that can be explained in turn."""


def entries(name: str) -> tuple[Entry, ...]:
    """Everything that is called `name`, whatever the case of its letters; empty where nothing is.

    A fact that a guard looks at goes by its last word too: 'past return' for job.past_return.
    """
    wanted = _plain(name)
    return tuple(
        entry
        for entry in every_entry()
        if _plain(entry.name) == wanted
        or (entry.kind == FACT and _plain(entry.name.rpartition(".")[2]) == wanted)
    )


def _plain(name: str) -> str:
    return name.strip().lower().replace("_", " ").replace("-", " ")


def chapter(letters: str) -> tuple[Requirement, ...]:
    """The requirements of a chapter by its three letters; empty where there is no such chapter."""
    return tuple(
        rule for rule in specification().requirements.values() if rule.chapter == letters.strip().upper()
    )


def every_entry() -> Iterator[Entry]:
    """All that can be explained: requirements, cases, messages, words, states, fields, guards, checks, figures."""
    known = specification()
    yield from (_requirement(row.requirement, row.cases) for row in table())
    yield from map(_case, all_cases().values())
    yield _case(walk_case())
    yield _judge()
    yield from _messages(known)
    yield from _words(known)
    yield from _states(known)
    yield from _events(known)
    yield from _fields(known)
    yield from _site_fields(known)
    yield from _guards(known)
    yield from (Entry(name, FACT, said) for name, said in known.guard_words.items())
    yield from _checks(known)
    for kind, figures in (("a time", known.timing), ("a size", known.limits)):
        yield from (_figure(kind, figure, known) for figure in figures.values())


def _since(minor: int) -> tuple[tuple[str, str], ...]:
    return (("since", f"protocol version {specification().dotted(minor)}"),) if minor else ()


def _requirement(rule: Requirement, cases: tuple[Case, ...]) -> Entry:
    more = [("binds", rule.role), ("seen by", rule.seen), ("why", rule.why)]
    more += [("source", rule.source)] if rule.source else []
    more += [("checked by", ", ".join(case.id for case in cases) or "no case")]
    if rule.id in judged_in_every_case():
        more += [("also checked", "in every case over a node, in all that the node says")]
    return Entry(
        rule.id,
        f"a requirement ({rule.level})",
        rule.says,
        (*more, *_since(rule.since)),
        tuple(case.id for case in cases),
    )


def _case(case: Case) -> Entry:
    known = specification().requirements
    more = [(id_, known[id_].says) for id_ in case.requirements]
    more += [("for", ", ".join(case.roles))]
    more += [("rests on", ", ".join(case.after))] if case.after else []
    more += [("run with it", ", ".join(case.occasions))] if case.occasions else []
    more += [("motion", "it moves the machine" if case.moves else "it moves nothing")]
    more += [("where", "a node on the bench")] if case.mode == "bench" else []
    more += [("where", "a node in service")] if case.mode == "service" else []
    if is_judged(case):
        of = f"by {len(judged_in_every_case())} requirements; 'yardwire explain {JUDGE}' lists them"
        more += [("also checked", f"all that the node says in it, {of}")]
    return Entry(case.id, "a conformance case", case.page, (*more, *_since(case.since)), case.requirements)


def _judge() -> Entry:
    return Entry(
        JUDGE,
        "what judges a node in every case",
        "It follows all that comes to the node and all that the node says, from the first case to the last. Where "
        "something shows that the node may not say, the case in which it shows fails, whatever that case is about. "
        f"It checks {len(judged_in_every_case())} requirements, each where it binds the node.",
        see=judged_in_every_case(),
    )


def _messages(known: Specification) -> Iterator[Entry]:
    for name, schema in known.messages.items():
        rule = known.topics[name]
        yield Entry(
            name,
            "a message",
            str(schema.get("description", "")),
            (
                ("topic", rule.pattern),
                ("from", ", ".join(rule.roles) or rule.sender),
                ("retained", "yes" if rule.retain else "no"),
                ("QoS", " or ".join(map(str, rule.qos))),
                ("fields", ", ".join(schema["properties"])),
            ),
            _mentions(name, known),
        )


def _words(known: Specification) -> Iterator[Entry]:
    for kind, what in WORDS.items():
        meanings = known.common["$defs"][kind].get("meanings", {})
        for word in known.words(kind):
            more = [("level", known.fault_level(word))] if kind == "fault_code" else []
            said = str(meanings.get(word, "")) or OF_ITSELF.get(kind, "")
            yield Entry(word, what, said, tuple(more), _mentions(word, known))


def _states(known: Specification) -> Iterator[Entry]:
    """Each state of each table, with where it goes."""
    for one in known.tables.values():
        for state in one.states:
            ways: dict[str, list[str]] = {}
            for row in one.transitions:
                if row.state == state and row.next != state:
                    ways.setdefault(row.next, []).append(row.event)
            told = ", ".join(f"{to} (on {', '.join(dict.fromkeys(events))})" for to, events in ways.items())
            more = [("then", told or "nothing: it ends here")]
            more += [("begins", "here")] if state == one.initial else []
            yield Entry(state, f"a state of the table '{one.title}'", _meaning(state, known), tuple(more))


def _events(known: Specification) -> Iterator[Entry]:
    """Each event of each table, with where it leads."""
    for one in known.tables.values():
        for event in one.events:
            rows = [row for row in one.transitions if row.event == event]
            ways = dict.fromkeys(f"{row.state} to {row.next}" for row in rows if row.state != row.next)
            more = [("leads from", ", ".join(ways) or "no state to another")]
            yield Entry(event, f"an event of the table '{one.title}'", one.event_words[event], tuple(more))


def _meaning(state: str, known: Specification) -> str:
    """What a message says of the word, where one has it."""
    fields = [field for schema in known.messages.values() for field in schema["properties"].values()]
    told = next((text for field in fields if (text := field.get("meanings", {}).get(state))), "")
    # The words of the table of a job stand in the shared enumeration.
    return str(
        told or known.common["$defs"]["job_state"]["meanings"].get(state, "") or "its rows say what it is"
    )


def _fields(known: Specification) -> Iterator[Entry]:
    """Each field of a message, once, with the messages that have it."""
    having: dict[str, list[str]] = {}
    for name, schema in known.messages.items():
        for field_name in schema["properties"]:
            having.setdefault(field_name, []).append(name)
    for name, messages in having.items():
        rule = known.messages[messages[0]]["properties"][name]
        more = [("in", ", ".join(messages))]
        more += [("unit", str(rule["unit"]))] if "unit" in rule else []
        yield Entry(name, "a field of a message", _description(rule, known), tuple(more))


def _site_fields(known: Specification) -> Iterator[Entry]:
    """Each field of the site file, with the part in which it stands."""
    where = {part: place for part, _, place in PARTS}
    for one in site_fields(known):
        told = (("stands in", where[one.part]), ("values", one.values), ("left out", one.left_out))
        more = tuple((label, text.replace("`", "")) for label, text in told if text)
        yield Entry(one.name, "a field of the site file", one.says or "the tables below it", more)


def _description(rule: Mapping[str, Any], known: Specification) -> str:
    shared = known.common["$defs"].get(str(rule.get("$ref", "")).rpartition("/")[2], {})
    return str(rule.get("description") or shared.get("description") or "see the page of the message")


def _guards(known: Specification) -> Iterator[Entry]:
    for name, rule in known.guards.items():
        yield Entry(name, "a guard of a table", rule.says, (("formula", rule.formula),), rule.requirements)


def _checks(known: Specification) -> Iterator[Entry]:
    for place, check in enumerate(known.order_checks, start=1):
        more = [("place", f"{place} of {len(known.order_checks)}"), ("then", check.does)]
        more += [("reason", check.reason)] if check.reason else []
        said = known.guards[check.name].says if check.name in known.guards else ""
        yield Entry(check.name, "a check of an order", said, (*more, *_since(check.since)))


def _figure(kind: str, figure: Figure, known: Specification) -> Entry:
    return Entry(
        figure.name,
        kind,
        figure.meaning,
        (("value", str(figure)), *_since(figure.since)),
        tuple(id_ for id_, rule in known.requirements.items() if figure.name in rule.figures),
    )


def _mentions(word: str, known: Specification) -> tuple[str, ...]:
    """The requirements that name a word, in quotes or as it stands."""
    quoted = f"'{word}'"
    return tuple(
        id_
        for id_, rule in known.requirements.items()
        if quoted in rule.says or ("-" in word and word in rule.says)
    )
