"""The page of guides: every document once, by what its reader wants, with a sentence on what it is for."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class GuideGroup:
    """Documents for one wish, in the order in which they are read: page and what it is for."""

    id: str
    title: str
    pages: tuple[tuple[str, str], ...]


GROUPS = (
    GuideGroup(
        "build",
        "Build a board",
        (
            ("guides/first-board.html", "From nothing to a first conformance run, in any language."),
            (
                "guides/port-the-core.html",
                "A whole node in C99: the handful of functions that it needs of a board.",
            ),
            ("guides/board-in-micropython.html", "The same in MicroPython, with an example for each role."),
            (
                "guides/board-on-a-cable.html",
                "A board with no network: levels, ground, length, rate, first look.",
            ),
            (
                "guides/test-an-order-desk.html",
                "Orders with what has to come out, for a unit test without a broker.",
            ),
            (
                "guides/use-the-files.html",
                "Headers, schemas and vectors, so that no number has to be typed in.",
            ),
            ("guides/lenient-libraries.html", "JSON and CBOR libraries that take what they must refuse."),
            ("walking.html", "How the kit leads a board through every state that it can be in."),
            ("fuzzing.html", "Look for what breaks a board that passes."),
            ("legal-variants.html", "It fails, and you think that it is right: what the text leaves open."),
        ),
    ),
    GuideGroup(
        "run",
        "Run a yard",
        (
            (
                "guides/wiring-and-safety.html",
                "Before anything moves: supplies, switches, what no message can do.",
            ),
            (
                "guides/site-file.html",
                "Describe nodes, places and tables of your layout, once for everybody.",
            ),
            ("guides/add-a-board.html", "One more controller: describe it, prove it alone, let it join."),
            ("guides/who-may-connect.html", "Users, passwords, TLS and access lists of the broker."),
            ("guides/measure-a-crane.html", "The table from rest reading to axis position, in half an hour."),
            ("measuring.html", "How far off a box may come down, and where the arming sensor may sit."),
            ("supervising.html", "Scenarios as tests, or a yard by hand at a prompt or a page with buttons."),
            (
                "guides/prove-a-supervisor.html",
                "You wrote the program that orders: play it a yard and judge it.",
            ),
            ("hazards.html", "Each way to make a machine move, and the gate that stands before it."),
        ),
    ),
    GuideGroup(
        "find",
        "Find a failure",
        (
            ("watching.html", "A page in the browser: the yard, faults, health, messages, as they come."),
            (
                "guides/find-the-failed-run.html",
                "Record, compare many runs, and see where the failed ones differ.",
            ),
            ("drift.html", "Figures of every run in control charts that warn before it fails."),
            ("store.html", "Years of runs as Parquet, by site and day."),
            ("planted-faults.html", "What diff and trend find of faults that were planted, and what not."),
            (
                "command-line.html",
                "What holds for every command: exit codes, configuration, JSON, completion.",
            ),
        ),
    ),
    GuideGroup(
        "protocol",
        "The protocol, explained",
        (
            ("protocol/overview.html", "The whole of it in ten pages, and why it is so."),
            ("protocol/bench.html", "What the kit plays on a board in bench mode, and when."),
            ("protocol/faults.html", "When each fault comes, and what ends it."),
            ("protocol/guards.html", "What each check and each 'only if' of a table asks, as a formula."),
            ("protocol/in-time.html", "Every 'in time' of a requirement, with its number."),
            (
                "protocol/site-fields.html",
                "Each field of the site file, its default, and what a digest is made of.",
            ),
            ("protocol/serial.html", "Frames, bytes and times of a node on a serial line."),
            ("protocol/recording.html", "The format of recordings, with a whole one taken apart."),
            ("protocol/growth.html", "What a minor version may add, and what needs a new major one."),
        ),
    ),
    GuideGroup(
        "change",
        "Change the protocol or the kit",
        (
            ("about.html", "What Yardwire is, and every command in a line."),
            ("contributors.html", "The map of the code, how to add a field or a case, the habits."),
            ("decisions/index.html", "Why things are as they are, where the reason is not obvious."),
            ("style.html", "How texts are written, and the words to use."),
            ("proof.html", "What supervisor and nodes can do together, explored to the end."),
            ("kill-matrix.html", "Which case catches which faulty node."),
            ("matrix.html", "Breaches in each context where they show, and what finds them."),
            ("mutants.html", "Changes of the code that the tests notice, and those that they do not."),
            ("speed.html", "How fast reading, comparing and watching are, as ratios."),
            ("security.html", "A defect that can move a machine: where to report it."),
        ),
    ),
)
