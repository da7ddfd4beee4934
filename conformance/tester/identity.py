"""Whether the node that answers is the one that was asked for: by its own node-status, against the site file.

The rule, in three words. `stops`: what answers is another node, and no case can say anything of the one that was asked
for. `no motion`: it may be the right one with another site file in it; what moves nothing is judged, and nothing moves,
for the kit would send it to places that are elsewhere. `goes on`: it is the right one, and the difference bears on
nothing but the verdict. Doubt is no motion.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

from conformance.oracle.link_log import Log
from conformance.suite.fixture import Fixture
from protocol.site import NodeSite
from protocol.specification import specification
from protocol.trouble import Trouble

Rule = Literal["stops", "no motion", "goes on"]
RULES: tuple[Rule, ...] = ("stops", "no motion", "goes on")
WORD_MS = 3_000
"""How long the first node-status is waited for, before the node is asked for it."""
NOT_CONNECTED = "connection"
"""The subject where nobody is there to be compared."""
FIELDS = ("roles", "firmware", "minor", "reads", "digest", "bench")


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing in which the node is not as the site file says, what to do, and what follows for the run."""

    subject: str
    expected: str
    said: str
    do: str
    rule: Rule

    @property
    def text(self) -> str:
        """What differs, in one sentence."""
        if self.subject == NOT_CONNECTED:
            return f"{self.subject}: {self.said}"
        return f"{self.subject}: the node says {self.said}, and the site file {self.expected}"


@dataclass(frozen=True, slots=True)
class Identity:
    """What the node says that it is, and in what it is not what was asked for."""

    says: str
    """In one line; '' where it has said nothing that can be read."""
    differences: tuple[Difference, ...]

    def first(self, rule: Rule) -> Difference | None:
        """The first difference under a rule."""
        return next((one for one in self.differences if one.rule == rule), None)

    @property
    def motion_withheld(self) -> str:
        """Why nothing may move; '' where it may."""
        found = self.first("stops") or self.first("no motion")
        return found.text if found else ""

    def document(self) -> dict[str, Any]:
        """As it stands in a report."""
        return {
            "says": self.says,
            "differences": [asdict(one) | {"text": one.text} for one in self.differences],
        }


def identity(log: Log, node: NodeSite) -> Identity:
    """What the newest whole node-status says of the node, compared with the site file."""
    said = next(
        (
            m.body
            for m in reversed(log.messages)
            if m.from_node and m.name == "node-status" and "roles" in m.body
        ),
        None,
    )
    if said is None:
        return Identity("", (_silent(node) if log.connects() or log.messages else _absent(node),))
    found = sorted(_differences(said, node), key=lambda one: RULES.index(one.rule))
    return Identity(_line(said, node), tuple(found))


def motion_withheld(fixture: Fixture) -> str:
    """Why nothing may move by what the node said last; '' where it may."""
    return identity(fixture.log, fixture.node).motion_withheld


def require_asked_for(fixture: Fixture, *, moves: bool = False) -> None:
    """Hear what the node says that it is, asking for it where it says nothing by itself; moves nothing.

    Raises Trouble where it is another node, and where the caller `moves` it and has no gate of its own, in every doubt.
    Else a doubt is left to the cases, which then move nothing.
    """
    if not fixture.bench.wait(lambda: _known(fixture), fixture.stretched(WORD_MS)):
        fixture.send({"act": "ask", "token": fixture.new_token()})
        fixture.bench.wait(lambda: _known(fixture), fixture.patience_ms)
    told = identity(fixture.log, fixture.node)
    other = told.first("stops")
    if other is not None:
        raise Trouble(
            f"this is not the {' and '.join(fixture.node.roles)} {fixture.name!r} that was asked for: {other.text}",
            fix=other.do,
        )
    doubt = told.first("no motion")
    if moves and doubt is not None:
        raise Trouble(f"nothing is moved: {doubt.text}", fix=f"Either {doubt.do}; or run it with --no-motion")


def _known(fixture: Fixture) -> bool:
    return bool(identity(fixture.log, fixture.node).says)


def _absent(node: NodeSite) -> Difference:
    return Difference(
        NOT_CONNECTED,
        "",
        f"{node.name} has not connected",
        f"start {node.name} and point it at the address that was told",
        "no motion",
    )


def _silent(node: NodeSite) -> Difference:
    return Difference(
        "node-status",
        "needs one, to know it by",
        "nothing that can be read",
        f"publish a whole node-status after each connection, with roles, reads, digest and bench; {node.name} is "
        "not moved before it says what it is",
        "no motion",
    )


def _line(said: Mapping[str, Any], node: NodeSite) -> str:
    minor = said.get("minor")
    version = specification().dotted(minor) if isinstance(minor, int) else "not told"
    where = {True: "on the bench", False: "in service"}.get(
        said.get("bench", ""), "bench or in service not told"
    )
    digest = (
        "digest as in the site file"
        if said.get("digest") == node.digest
        else f"digest {said.get('digest')}, not the site file's {node.digest}"
    )
    return (
        f"{', '.join(said['roles'])}; firmware {said.get('firmware') or 'not told'}; protocol {version}; reads "
        f"{said.get('reads', 'not told')}; {digest}; {where}"
    )


def _differences(said: Mapping[str, Any], node: NodeSite) -> Iterator[Difference]:
    yield from _roles(said, node)
    yield from _reads(str(said.get("reads", "nothing")), node)
    if said.get("digest") != node.digest:
        yield Difference(
            "digest", str(node.digest), str(said.get("digest", "nothing")),
            "build the firmware with the tables of this site file ('yardwire site digest' prints the number that it "
            "has to say), or name the site file that it was built with",
            "no motion",
        )  # fmt: skip
    if "bench" not in said:
        yield Difference(
            "bench", "cannot tell", "neither that it is on the bench nor that it is in service",
            "say 'bench' in node-status: whether the sensors are a tester's or the machine's own", "no motion",
        )  # fmt: skip
    if node.firmware and said.get("firmware") != node.firmware:
        yield Difference(
            "firmware", repr(node.firmware), repr(said.get("firmware", "")),
            "flash the firmware that the site file names, or name this one there", "goes on",
        )  # fmt: skip


def _roles(said: Mapping[str, Any], node: NodeSite) -> Iterator[Difference]:
    roles = set(said["roles"])
    if roles == set(node.roles):
        return
    yield Difference(
        "role", " and ".join(node.roles), " and ".join(sorted(roles)) or "none",
        f"look which board stands behind the name {node.name!r}: either it has the firmware of another, or the site "
        "file gives the name to another",
        "no motion" if roles & set(node.roles) else "stops",
    )  # fmt: skip


def _reads(reads: str, node: NodeSite) -> Iterator[Difference]:
    if reads == node.reads:
        return
    none_in_common = "both" not in (reads, node.reads)
    yield Difference(
        "encoding", f"that it reads {node.reads}", f"that it reads {reads}",
        f"correct 'reads' of {node.name!r} in the site file, or the firmware: the kit writes to it what the site file "
        "says",
        "stops" if none_in_common else "no motion",
    )  # fmt: skip
