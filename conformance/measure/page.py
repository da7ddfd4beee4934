"""The answer of each task: three lines for the terminal, and one self-contained page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from conformance.measure.plot import Plot, bars
from conformance.measure.sensor.drawing import drawing
from conformance.templates import environment

if TYPE_CHECKING:
    from conformance.measure.arrivals import Arrivals
    from conformance.measure.budget.landing import Landing
    from conformance.measure.causes import Shown
    from conformance.measure.choice import Choice
    from conformance.measure.next_point import Next
    from conformance.measure.outliers import Doubt
    from conformance.measure.sensor.arrivals_seen import Seen
    from conformance.measure.sensor.interval import Answer
    from conformance.measure.sensor.statements import TrackStatement
    from conformance.measure.thinning import Thinned

Rows = Sequence[Sequence[str]]


@dataclass(frozen=True, slots=True)
class TableAnswer:
    """All that `measure table` found."""

    crane: str
    place: str
    unit: str
    arrivals: Arrivals
    shown: Shown
    choice: Choice
    findings: list[str]
    next: Next
    doubts: list[Doubt]
    table: Thinned

    @property
    def first(self) -> str:
        """Which curve, and how far off."""
        low, high = self.table.points[0][0], self.table.points[-1][0]
        return (
            f"{self.crane} over {self.place}: {self.choice.curve.name}, within {self.next.bound:.2g} {self.unit} "
            f"(95 %), readings {low} to {high}"
        )

    @property
    def why(self) -> str:
        """Why one factor fails, or that it does not; and what may have been missed."""
        return "why: " + "; ".join([*self.findings, *([self.hidden] if self.hidden else [])])

    @property
    def hidden(self) -> str:
        """What so few arrivals may hide."""
        from conformance.measure.unseen import in_words

        return in_words(self.arrivals, self.shown)

    @property
    def go_on(self) -> str:
        """Whether to stop, else where to go on."""
        there = (
            f"one more arrival at reading {self.next.reading} makes it {self.next.expected:.2g} {self.unit}"
        )
        if self.next.enough is None:
            return f"next: {there}; say with --needed what is enough"
        if self.next.enough:
            return f"next: nothing, {self.next.needed:g} {self.unit} are met"
        return f"next: {there}, and {self.next.needed:g} {self.unit} are needed"

    @property
    def piece_bounds(self) -> tuple[float, float]:
        """What straight pieces through the points would be off: by divided differences, and left out in turn."""
        from conformance.measure.fit.bound import worst
        from conformance.measure.fit.interpolants import points_of

        points = points_of(self.arrivals)
        return worst(points.reading, points.position)


@dataclass(frozen=True, slots=True)
class BudgetAnswer:
    """All that `measure budget` found; `simulated` is the half-width of the worst slot by simulation."""

    place: str
    unit: str
    slots: Sequence[Landing]
    simulated: float

    @property
    def worst(self) -> Landing:
        """The slot with the least margin."""
        return min(self.slots, key=lambda one: one.margin)

    @property
    def first(self) -> str:
        """The answer."""
        one = self.worst
        caught = f"{one.catches:.1f} {self.unit} that the wagon catches (95 %)"
        if one.margin >= 0:
            return f"{self.place}: lands within {one.budget.expanded:.1f} {self.unit} of {caught}"
        return f"{self.place}: not shown to land: within {one.budget.expanded:.1f} {self.unit}, more than the {caught}"

    @property
    def improve(self) -> str:
        """The term to improve first."""
        term, share = self.worst.budget.shares[0]
        return f"improve first: {term.name}, {share:.0%} of the variance ({term.source})"

    @property
    def margins(self) -> str:
        """What every slot has left."""
        left = ", ".join(f"{one.slot}: {one.margin:+.1f}" for one in self.slots)
        return f"margin by slot, {self.unit}: {left}; simulated within {self.simulated:.1f}"


@dataclass(frozen=True, slots=True)
class SensorAnswer:
    """All that `measure sensor` found."""

    track: TrackStatement
    answer: Answer
    seen: Sequence[Seen]

    @property
    def first(self) -> str:
        """The interval."""
        answer = self.answer
        if not answer.exists:
            limits = f"above {answer.low:.0f} mm and below {answer.high:.0f} mm"
            return f"no place suits every train: it would have to be {limits}"
        return f"the arming sensor may sit from {answer.low:.0f} to {answer.high:.0f} mm, best at {answer.best:.0f} mm"

    @property
    def today(self) -> str:
        """What today's place has left."""
        worst = self.answer.worst
        limits = f"worst train: {worst.train.name}, {worst.low:.0f} to {worst.high:.0f} mm"
        if self.answer.margin is None or self.answer.place is None:
            return limits
        word = "a margin of" if self.answer.margin >= 0 else "outside by"
        return f"today at {self.answer.place:.0f} mm: {word} {abs(self.answer.margin):.0f} mm; {limits}"

    @property
    def heard(self) -> list[str]:
        """What recordings tell."""
        return [_heard(one) for one in self.seen]


def _heard(one: Seen) -> str:
    number = f"{one.number} arrival{'s' if one.number > 1 else ''} recorded"
    said = (
        f"{one.node}: {number}, the end came {one.shortest_ms} ms after arming at the least "
        f"({one.usual_ms:.0f} usually); {one.ignored[0]} to {one.ignored[1]} pulses before it"
    )
    if one.too_soon:
        said += f"; {one.too_soon} came far too soon: a coupling was taken for the end"
    return said


def table_page(answer: TableAnswer) -> str:
    """The page of a table."""
    import numpy as np

    from conformance.measure.fit.curve import half_width

    arrivals, curve = answer.arrivals, answer.choice.curve
    at = np.linspace(arrivals.reading.min(), arrivals.reading.max(), 241)
    middle, width = curve.position(at), half_width(curve, at)
    titles = [
        f"reading {reading:.0f}, position {position:.5g}, {train or 'no train noted'}"
        for reading, position, train in zip(arrivals.reading, arrivals.position, arrivals.train, strict=True)
    ]
    main = Plot("Position over reading", "rest reading", f"position, {answer.unit}")
    main.line(_xy(at, middle))
    main.dots(_xy(arrivals.reading, arrivals.position), titles)
    line = answer.shown.line.position(at)
    rest = Plot("What a straight line leaves", "rest reading", f"off the straight line, {answer.unit}")
    rest.band(_xy(at, middle - width - line), _xy(at, middle + width - line))
    rest.line(_xy(at, middle - line))
    rest.dots(_xy(arrivals.reading, arrivals.position - answer.shown.line.position(arrivals.reading)), titles)
    divided, left_out = answer.piece_bounds
    tried: Rows = [
        (one.curve.name, f"{one.left_out:.3g}", "" if one.aicc is None else f"{one.aicc:.1f}")
        for one in answer.choice.tried
    ]
    pieces = (
        "Straight pieces through the points as they are would be off by up to "
        f"{max(divided, left_out):.2g} {answer.unit}: "
        f"{divided:.2g} by h\u00b2/8 |f''| from divided differences, {left_out:.2g} where each is left out in turn."
    )
    hidden = [f"{answer.hidden}."] if answer.hidden else []
    sections: list[dict[str, Any]] = [
        {"title": "What a straight line leaves", "figure": rest.svg(), "said": [*answer.findings, *hidden]},
        {
            "title": "Position over reading",
            "figure": main.svg(),
            "said": [f"Chosen: {answer.choice.reason}."],
        },
        {
            "title": "Curves that were tried",
            "head": ("curve", f"off where left out, {answer.unit} (rms)", "AICc"),
            "rows": tried,
            "said": [pieces],
        },
        {
            "title": "The table",
            "head": ("reading", f"position, {answer.unit}"),
            "rows": [(str(reading), str(position)) for reading, position in answer.table.points],
            "said": [f"At worst {answer.table.worst:.2g} {answer.unit} off the curve, rounding counted."],
        },
    ]
    asked = [f"Question: {one}." for one in answer.doubts]
    return _page(
        f"{answer.crane} over {answer.place}: the table", [answer.first, answer.go_on, *asked], sections
    )


def budget_page(answer: BudgetAnswer) -> str:
    """The page of a budget."""
    worst = answer.worst.budget
    rows = [
        (term.name, term.standard, f"{term.standard:.2g} {answer.unit}, {share:.0%}")
        for term, share in worst.shares
    ]
    dof = "unlimited" if worst.dof == float("inf") else f"{worst.dof:.0f}"
    combined = (
        f"Combined {worst.combined:.3g} {answer.unit}, times {worst.factor:.2f} for 95 % (JCGM 100; effective degrees "
        f"of freedom: {dof}). Simulated (JCGM 101): {answer.simulated:.2g} {answer.unit}."
    )
    sections: list[dict[str, Any]] = [
        {
            "title": "Terms",
            "figure": bars("Standard uncertainty of each term", rows),
            "head": ("term", f"standard uncertainty, {answer.unit}", "share of the variance", "from"),
            "rows": [
                (term.name, f"{term.standard:.3g}", f"{share:.0%}", term.source)
                for term, share in worst.shares
            ],
            "said": [combined],
        },
        {
            "title": "Slots",
            "head": ("slot", f"within, {answer.unit}", f"margin, {answer.unit}"),
            "rows": [
                (str(one.slot), f"{one.budget.expanded:.2f}", f"{one.margin:+.2f}") for one in answer.slots
            ],
            "said": [],
        },
    ]
    return _page(
        f"{answer.place}: will the box land?", [answer.first, answer.improve, answer.margins], sections
    )


def sensor_page(answer: SensorAnswer) -> str:
    """The page of the arming sensor."""
    sections: list[dict[str, Any]] = [
        {
            "title": "Track, sensors and magnets",
            "figure": drawing(answer.track, answer.answer),
            "said": ["Below each train the places that suit it; the band over all trains suits every one."],
        },
        {
            "title": "Trains",
            "head": ("train", "from, mm", "to, mm"),
            "rows": [(one.train.name, f"{one.low:.0f}", f"{one.high:.0f}") for one in answer.answer.windows],
            "said": list(answer.heard),
        },
    ]
    return _page("Where the arming sensor may sit", [answer.first, answer.today], sections)


def _xy(x: Any, y: Any) -> list[tuple[float, float]]:
    return [(float(a), float(b)) for a, b in zip(x, y, strict=True)]


def _page(title: str, answer: Sequence[str], sections: Sequence[dict[str, Any]]) -> str:
    return environment().get_template("measure.html.j2").render(title=title, answer=answer, sections=sections)
