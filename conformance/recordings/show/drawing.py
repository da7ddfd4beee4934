"""Where things go in the two pictures of a story: the timeline of states, the lanes of orders and reports."""

from __future__ import annotations

from dataclasses import dataclass

from conformance.recordings.show.story import Bar, MessageSummary, Story

WIDTH = 1000
"""Width of both pictures in units of their own; they scale with the page."""

GUTTER = 80
LANE_HEIGHT = 46
BAR_HEIGHT = 18
ARROW_GAP = 26
HEAD = 34

RESTING = frozenset({"ready", "at-rest", "at-place", "empty"})
MOVING = frozenset({"homing", "working", "admitting", "armed", "leaving", "moving", "manual"})
"""All other states are troubles."""


def mood(state: str) -> str:
    """'rest', 'motion' or 'trouble': how a state is drawn."""
    if state in RESTING:
        return "rest"
    return "motion" if state in MOVING else "trouble"


@dataclass(frozen=True, slots=True)
class DrawnBar:
    """A state bar or a job bar on a lane of the timeline."""

    x: float
    y: float
    width: float
    mood: str
    text: str
    title: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """State bars and job bars of every node over the time of the story."""

    height: float
    lanes: list[tuple[float, str]]
    """y and name of each node."""
    ticks: list[tuple[float, str]]
    """x and label of each mark on the time axis."""
    states: list[DrawnBar]
    jobs: list[DrawnBar]


def timeline(story: Story) -> Timeline:
    """Lay out the timeline."""
    nodes = [node for node in story.nodes if node in story.bars]
    span = max(story.end_ms, 1)

    def x(at_ms: float) -> float:
        return round(GUTTER + (WIDTH - GUTTER - 10) * at_ms / span, 1)

    def state_bar(row: int, bar: Bar) -> DrawnBar:
        seconds = f"{bar.start_ms / 1000:.1f} to {bar.end_ms / 1000:.1f} s"
        text = f"{bar.state}, held" if bar.held else bar.state
        width = max(x(bar.end_ms) - x(bar.start_ms), 1.0)
        shown = text if width > 6.2 * len(text) + 6 else ""
        kind = "held" if bar.held else mood(bar.state)
        return DrawnBar(x(bar.start_ms), HEAD + row * LANE_HEIGHT, width, kind, shown, f"{text}, {seconds}")

    states = [state_bar(row, bar) for row, node in enumerate(nodes) for bar in story.bars[node]]
    jobs = []
    for job in story.jobs:
        if job.node in nodes:
            end = job.ended_ms if job.ended_ms is not None else story.end_ms
            width = max(x(end) - x(job.ordered_ms), 2.0)
            kind = {"done": "done", "open": "open"}.get(job.state, "trouble")
            y = HEAD + nodes.index(job.node) * LANE_HEIGHT + BAR_HEIGHT + 2
            fitting = (text for text in (job.words, job.words.split()[0]) if width > 5.4 * len(text) + 6)
            shown = next(fitting, "")
            title = f"{job.words} {job.label}: {job.state}, {(end - job.ordered_ms) / 1000:.1f} s"
            jobs.append(DrawnBar(x(job.ordered_ms), y, width, kind, shown, title))
    lanes = [(HEAD + row * LANE_HEIGHT + 13.0, node) for row, node in enumerate(nodes)]
    return Timeline(HEAD + len(nodes) * LANE_HEIGHT + 6, lanes, _ticks(span, x), states, jobs)


MOST_TICKS = 12
"""Marks of time along a drawing, however long it lasted."""


def _ticks(span_ms: int, x: object) -> list[tuple[float, str]]:
    assert callable(x)
    hours = 1 + span_ms // (3_600_000 * MOST_TICKS)
    steps = (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 3600 * hours)
    step = next(step for step in steps if span_ms / 1000 / step <= MOST_TICKS)
    return [(x(second * 1000), f"{second} s") for second in range(0, span_ms // 1000 + 1, step)]


@dataclass(frozen=True, slots=True)
class Arrow:
    """One order or report on the lanes; `bad` if it refuses, fails or is not valid."""

    y: float
    from_x: float
    to_x: float
    time: str
    words: str
    kind: str


@dataclass(frozen=True, slots=True)
class Lanes:
    """Orders and reports as arrows between the nodes, time running down."""

    height: float
    lanes: list[tuple[float, str]]
    arrows: list[Arrow]


def lanes(story: Story, lines: list[MessageSummary] | None = None) -> Lanes:
    """Lay out the lanes for these lines, by default for all orders and reports but asks."""
    shown = [line for line in story.exchange if line.body.get("act") != "ask"] if lines is None else lines
    nodes = story.nodes
    step = (WIDTH - GUTTER) / max(len(nodes), 1)
    centre = {node: round(GUTTER + step * (index + 0.5), 1) for index, node in enumerate(nodes)}
    supervisor = nodes[0] if nodes else ""
    arrows = []
    for row, line in enumerate(shown):
        begin, end = (supervisor, line.node) if line.message == "job-order" else (line.node, supervisor)
        if begin not in centre:
            continue
        everyone = line.node not in centre
        to_x = float(WIDTH - 10) if everyone else centre[end]
        at = f"{line.at_ms / 1000:.2f}"
        arrows.append(Arrow(HEAD + 18 + row * ARROW_GAP, centre[begin], to_x, at, line.words, _kind(line)))
    return Lanes(HEAD + 30 + len(shown) * ARROW_GAP, [(centre[node], node) for node in nodes], arrows)


def _kind(line: MessageSummary) -> str:
    if line.findings or line.body.get("state") in ("refused", "failed"):
        return "bad"
    return "order" if line.message == "job-order" else "report"
