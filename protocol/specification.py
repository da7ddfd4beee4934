"""The specification of one major version, read once from the data beside this file.

Everything else in the project asks here for schemas, tables, times, limits, topics and requirements; no
number or word of the protocol stands in code.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache, cached_property
from importlib import resources
from typing import Any, TypeVar

from protocol.fault_rule import FaultRule, fault_rules
from protocol.guard_rule import GuardRule, guard_rules
from protocol.line_kinds import LineField, LineKind, line_fields, line_kinds
from protocol.transition_table import Check, NoWay, Table, Transition

Schema = Mapping[str, Any]

STATE_MESSAGES = ("node-status", "train-arrival", "shuttle-status", "crane-status", "fault")
"""Messages in which a node repeats the whole of its state."""
STATE_OF_ROLE = {"crane": "crane-status", "berth": "train-arrival", "shuttle": "shuttle-status"}
"""The state message of each role of a node."""
OPEN = ("accepted", "running")
"""States of a job that is not over."""
FINAL = ("done", "failed", "cancelled", "refused")
"""States in which an order has come to its end [ORD-15]."""


@dataclass(frozen=True, slots=True)
class Requirement:
    """One MUST or SHOULD: who is bound, how it is seen, one testable sentence, and why it exists."""

    id: str
    level: str
    role: str
    seen: str
    says: str
    why: str
    source: str
    since: int = 0
    """The minor version from which on it binds."""
    figures: tuple[str, ...] = ()
    """Names of the times and sizes in its sentence."""

    @property
    def chapter(self) -> str:
        """The three letters in front of the number."""
        return self.id.partition("-")[0]


@dataclass(frozen=True, slots=True)
class Figure:
    """A time or a size of the protocol: bounds or an exact value, with its unit."""

    name: str
    unit: str
    meaning: str
    least: int | None = None
    most: int | None = None
    value: int | float | None = None
    since: int = 0
    """The minor version that brought it."""

    def __str__(self) -> str:
        if self.value is not None:
            return f"{self.value} {self.unit}"
        if self.least is not None and self.most is not None:
            return f"{self.least} to {self.most} {self.unit}"
        return f"{self.most if self.most is not None else self.least} {self.unit}"


@dataclass(frozen=True, slots=True)
class TopicRule:
    """Who sends a message on which topic, and with which flags."""

    message: str
    pattern: str
    sender: str
    roles: tuple[str, ...]
    retain: bool
    qos: tuple[int, ...]


_COUNTED = {"depth": "levels", "client_id": "characters", "user_name": "characters"}
"""The limits that are no sizes in bytes: limits.toml was released without units, and its rows are never changed."""


class Specification:
    """The data of one major version. Read-only; get it with `specification()`.

    What a minor version added is marked with it (`since`), and `at` gives the specification without what came later.
    """

    def __init__(self, root: resources.abc.Traversable) -> None:
        self._root = root
        self._earlier: dict[int, Specification] = {}

    def at(self, minor: int | None) -> Specification:
        """The specification as it binds whoever says `minor`: nothing in it came later.

        Of a minor version that is newer than this one nothing is known: it is this one. So it is for who has said
        none, None: silence excuses from nothing.
        """
        if minor is None or minor >= self.minor:
            return self
        if minor not in self._earlier:
            self._earlier[minor] = self._as_of(minor)
        return self._earlier[minor]

    def _as_of(self, minor: int) -> Specification:
        """All that came up to `minor`, out of what this one holds."""
        earlier = Specification(self._root)
        rows = {
            name: replace(
                table, transitions=_up_to(minor, table.transitions), states=_states_up_to(minor, table)
            )
            for name, table in self.tables.items()
        }
        earlier.__dict__.update(
            major=self.major,
            minor=minor,
            common=_fields_up_to(minor, self.common),
            messages={name: _fields_up_to(minor, schema) for name, schema in self.messages.items()},
            acts={name: _fields_up_to(minor, schema) for name, schema in self.acts.items()},
            timing={name: figure for name, figure in self.timing.items() if figure.since <= minor},
            limits={name: figure for name, figure in self.limits.items() if figure.since <= minor},
            topics=self.topics,
            tables=rows,
            order_checks=_up_to(minor, self.order_checks),
            requirements={id_: rule for id_, rule in self.requirements.items() if rule.since <= minor},
        )
        return earlier

    def _toml(self, *path: str) -> dict[str, Any]:
        return tomllib.loads(self._root.joinpath(*path).read_text(encoding="utf-8"))

    def _schemas(self, folder: str) -> dict[str, Schema]:
        ending = ".schema.json"
        return {
            file.name.removesuffix(ending): json.loads(file.read_text(encoding="utf-8"))
            for file in sorted(self._root.joinpath(folder).iterdir(), key=lambda file: file.name)
            if file.name.endswith(ending)
        }

    def vectors(self, name: str) -> list[dict[str, Any]]:
        """The test vectors of a message or of an act; of `invalid`, payloads that no receiver may take."""
        found: list[dict[str, Any]] = json.loads(
            self._root.joinpath("vectors", f"{name}.json").read_text(encoding="utf-8")
        )
        return found

    @cached_property
    def major(self) -> int:
        """Major version, as in the topic root."""
        return int(self._toml("version.toml")["major"])

    @cached_property
    def minor(self) -> int:
        """Minor version: what a node says in node-status."""
        return int(self._toml("version.toml")["minor"])

    def dotted(self, minor: int | None = None) -> str:
        """The version in words, '1.1'; with `minor`, that minor version of the same major one."""
        return f"{self.major}.{self.minor if minor is None else minor}"

    @cached_property
    def common(self) -> Schema:
        """The schema of the kinds of value that messages share."""
        schema: Schema = json.loads(self._root.joinpath("common.schema.json").read_text(encoding="utf-8"))
        return schema

    @cached_property
    def messages(self) -> dict[str, Schema]:
        """Message name to JSON Schema (2020-12), closed as for a sender."""
        return self._schemas("messages")

    @cached_property
    def acts(self) -> dict[str, Schema]:
        """Act name to the JSON Schema of a job-order with that act."""
        fragments = self._schemas("acts")
        return {act: fragments[act] for act in self.words("act")}

    @cached_property
    def site_schema(self) -> Schema:
        """The schema of a site file."""
        schema: Schema = json.loads(self._root.joinpath("site.schema.json").read_text(encoding="utf-8"))
        return schema

    @cached_property
    def by_urn(self) -> dict[str, Schema]:
        """Every schema by its `$id`, for a registry that fetches nothing."""
        schemas = [self.common, *self.messages.values(), *self.acts.values()]
        return {schema["$id"]: schema for schema in schemas}

    def words(self, kind: str) -> tuple[str, ...]:
        """The words of a shared enumeration, in the order of their CBOR integers. Raises KeyError."""
        return tuple(self.common["$defs"][kind]["enum"])

    def fault_level(self, code: str) -> str:
        """'warn' or 'halt'. Raises KeyError for an unknown code."""
        return str(self.common["$defs"]["fault_code"]["levels"][code])

    @cached_property
    def jobs(self) -> frozenset[str]:
        """The acts that are jobs: orders that move something."""
        return frozenset(act for act, schema in self.acts.items() if schema["job"])

    def acts_of(self, role: str) -> frozenset[str]:
        """The acts that a node with `role` takes."""
        return frozenset(act for act, schema in self.acts.items() if role in schema["roles"])

    def states_of(self, roles: Iterable[str]) -> tuple[str, ...]:
        """The state messages that a node with these roles sends."""
        wanted = set(roles)
        return tuple(name for name in STATE_MESSAGES if wanted & set(self.topics[name].roles))

    @cached_property
    def timing(self) -> dict[str, Figure]:
        """Name to time."""
        return {name: Figure(name=name, **row) for name, row in self._toml("timing.toml").items()}

    @cached_property
    def limits(self) -> dict[str, Figure]:
        """Name to size."""
        rows = self._toml("limits.toml")
        for row in rows.values():
            row.pop("except", None)
        units = {name: _COUNTED.get(name, "bytes") for name in rows}
        return {name: Figure(name=name, **({"unit": units[name]} | row)) for name, row in rows.items()}

    def most(self, name: str) -> int:
        """The upper bound of a limit. Raises KeyError for an unknown one, ValueError for one without."""
        most = self.limits[name].most
        if most is None:
            raise ValueError(f"limit {name} has no upper bound")
        return most

    def most_ms(self, name: str) -> int:
        """The upper bound of a time in ms. Raises KeyError for an unknown one, ValueError for one without."""
        figure = self.timing[name]
        if figure.most is None or figure.unit != "ms":
            raise ValueError(f"timing {name} has no upper bound in ms")
        return figure.most

    @cached_property
    def size_exceptions(self) -> frozenset[str]:
        """Messages that the packet limits do not bind."""
        return frozenset(self._toml("limits.toml")["publish_cbor"]["except"])

    @cached_property
    def root(self) -> str:
        """First level of every topic."""
        return str(self._toml("topics.toml")["root"])

    @cached_property
    def everyone(self) -> str:
        """What stands in a topic where a node's name stands when every node is meant."""
        return str(self._toml("topics.toml")["all"])

    @cached_property
    def topics(self) -> dict[str, TopicRule]:
        """Message name to topic rule."""
        return {
            message: TopicRule(
                message=message,
                pattern=row["topic"],
                sender=row["sender"],
                roles=tuple(row["roles"]),
                retain=row["retain"],
                qos=tuple(row["qos"]),
            )
            for message, row in self._toml("topics.toml").items()
            if isinstance(row, dict)
        }

    @cached_property
    def line_kinds(self) -> dict[str, LineKind]:
        """Name to kind of frame on a serial line."""
        return line_kinds(self._toml("serial.toml")["kinds"])

    @cached_property
    def line_fields(self) -> dict[str, LineField]:
        """Name to field of the frames that carry no message of the protocol."""
        return line_fields(self._toml("serial.toml")["fields"])

    @cached_property
    def tables(self) -> dict[str, Table]:
        """Name (job, crane, berth, shuttle, belief, order_sent) to transition table."""
        names = ("job", "crane", "berth", "shuttle", "belief", "order_sent")
        return {name: _table(name, self._toml("tables", f"{name}.toml")) for name in names}

    @cached_property
    def guards(self) -> dict[str, GuardRule]:
        """Name of a guard, or of a check of an order, to what it asks."""
        return guard_rules(self._toml("tables", "guards.toml"))

    @cached_property
    def guard_words(self) -> dict[str, str]:
        """What the names in the formulas of the guards mean."""
        return dict(self._toml("tables", "guards.toml")["words"])

    @cached_property
    def faults(self) -> dict[str, FaultRule]:
        """Code of a fault to when it comes and what ends it."""
        figures = {name: str(figure) for name, figure in self.timing.items()}
        return fault_rules(self._toml("faults.toml"), figures)

    @cached_property
    def order_checks(self) -> tuple[Check, ...]:
        """The checks of an order in its node, in their order."""
        return tuple(Check(*row) for row in self._toml("tables", "order.toml")["checks"])

    @cached_property
    def requirements(self) -> dict[str, Requirement]:
        """Id to requirement, sentences with their figures filled in, in the order of the chapters."""
        figures = {name: str(figure) for name, figure in (self.timing | self.limits).items()}
        return {
            id_: Requirement(
                id=id_,
                level=row["level"],
                role=row["role"],
                seen=row["seen"],
                says=re.sub(r"\{([a-z_]+)\}", lambda match: figures[match[1]], row["says"]),
                why=re.sub(r"\{([a-z_]+)\}", lambda match: figures[match[1]], row["why"]),
                source=row.get("source", ""),
                since=row.get("since", 0),
                figures=tuple(dict.fromkeys(re.findall(r"\{([a-z_]+)\}", row["says"]))),
            )
            for id_, row in self._toml("requirements.toml").items()
        }


def _table(name: str, data: dict[str, Any]) -> Table:
    return Table(
        name=name,
        title=data["title"],
        states=tuple(data["states"]),
        initial=data["initial"],
        final=tuple(data["final"]),
        transitions=tuple(
            Transition(state, event, guard, after, tuple(sends), *since)
            for state, event, guard, after, sends, *since in data["transitions"]
        ),
        begins_anew=tuple(data.get("begins_anew", ())),
        no_ways=tuple(
            NoWay(kind, tuple(row["states"]), tuple(row["events"]), row["why"])
            for kind in ("ignored", "impossible")
            for row in data.get(kind, ())
        ),
        event_words=data.get("events", {}),
    )


_Row = TypeVar("_Row", Transition, Check)


def _up_to(minor: int, rows: Iterable[_Row]) -> tuple[_Row, ...]:
    return tuple(row for row in rows if row.since <= minor)


def _states_up_to(minor: int, table: Table) -> tuple[str, ...]:
    """Without the states that only newer rows lead into or out of."""
    newer = {state for row in table.transitions if row.since > minor for state in (row.state, row.next)}
    kept = {state for row in _up_to(minor, table.transitions) for state in (row.state, row.next)}
    return tuple(state for state in table.states if state in kept or state not in newer)


def _fields_up_to(minor: int, schema: Schema) -> dict[str, Any]:
    """A schema, or a part of one, without the fields and words that came after `minor`.

    A field says `since` with its key; a list of words names its newer ones in `since`, word to minor version.
    """
    kept = {
        name: _fields_up_to(minor, part) if isinstance(part, Mapping) else part
        for name, part in schema.items()
        if not (isinstance(part, Mapping) and isinstance(part.get("since"), int) and part["since"] > minor)
    }
    newer = schema.get("since")
    if isinstance(newer, Mapping) and "enum" in kept:
        kept["enum"] = [word for word in kept["enum"] if newer.get(word, 0) <= minor]
    return kept


@cache
def specification() -> Specification:
    """Version 1, read from the package data at first use."""
    return Specification(resources.files("protocol").joinpath("v1"))
