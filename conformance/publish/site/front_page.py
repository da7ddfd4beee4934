"""The front page: the yard, its nodes and what they say, and a door for each thing that a reader may want."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from protocol.site import NodeSite, Site
from protocol.specification import STATE_OF_ROLE, Specification


@dataclass(frozen=True, slots=True)
class Door:
    """One thing that a reader may want: a sentence, and pages in the order in which they are read."""

    id: str
    title: str
    says: str
    pages: tuple[tuple[str, str], ...]


DOORS = (
    Door(
        "build",
        "Build a board",
        "You have a microcontroller and want it to be a crane, a berth or a shuttle.",
        (
            ("guides/first-board.html", "Your first board in an hour"),
            ("guides/port-the-core.html", "It runs C: take the core"),
            ("guides/board-in-micropython.html", "It runs MicroPython"),
            ("guides/board-on-a-cable.html", "It has no network"),
            ("protocol/overview.html", "From nothing: the protocol in ten pages"),
            ("protocol/bench.html", "What the kit plays on the bench"),
            ("guides/test-an-order-desk.html", "Test it before there is a broker"),
        ),
    ),
    Door(
        "run",
        "Run a yard",
        "You have boards that pass, and want boxes to move.",
        (
            ("guides/wiring-and-safety.html", "Wiring and safety, first"),
            ("guides/site-file.html", "The site file"),
            ("guides/add-a-board.html", "Add a board"),
            ("guides/who-may-connect.html", "Who may connect"),
            ("guides/measure-a-crane.html", "Measure a crane"),
            ("supervising.html", "Supervise it"),
            ("guides/prove-a-supervisor.html", "Prove a supervisor of your own"),
        ),
    ),
    Door(
        "find",
        "Find a failure",
        "It failed once in twenty runs, or it drifts.",
        (
            ("watching.html", "Watch the bus"),
            ("guides/find-the-failed-run.html", "Find the run that failed"),
            ("drift.html", "What drifts over weeks"),
            ("protocol/faults.html", "Faults: when each comes, what ends it"),
            ("protocol/in-time.html", "Every 'in time', with its number"),
            ("guides/lenient-libraries.html", "Libraries that take too much"),
            ("requirements.html", "What an id such as ORD-06 means"),
        ),
    ),
    Door(
        "change",
        "Change the protocol",
        "You want a field, a rule or a command that is not there.",
        (
            ("contributors.html", "For contributors"),
            ("protocol/growth.html", "How the protocol grows"),
            ("decisions/index.html", "Decisions"),
            ("proof.html", "What is proved of the rules"),
            ("hazards.html", "What can make a machine move"),
            ("security.html", "Report a defect"),
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class NodeRow:
    """One node of the yard: what it says and how."""

    name: str
    roles: str
    says: tuple[str, ...]
    encodings: str
    qos: str
    digest: str


def node_rows(spec: Specification, site: Site) -> Iterator[NodeRow]:
    """Every node, in the order of the site file."""
    for node in site.nodes.values():
        if node.is_supervisor:
            says = tuple(
                name
                for name, rule in spec.topics.items()
                if rule.sender == "supervisor" or "supervisor" in rule.roles
            )
            yield NodeRow(node.name, "supervisor", says, "writes what each node reads", "1", "")
        else:
            said = ("node-status", *(STATE_OF_ROLE[role] for role in node.roles), "fault", "job-report")
            yield NodeRow(
                node.name, ", ".join(node.roles), said, _encodings(node), str(node.qos), str(node.digest)
            )


def _encodings(node: NodeSite) -> str:
    reads = "JSON and CBOR" if node.reads == "both" else node.reads.upper()
    return f"reads {reads}, writes {node.writes.value.upper()}"
