"""Plots with axes and units as SVG, in the colours of the page that they stand in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape

WIDTH, HEIGHT = 720, 300
LEFT, RIGHT, TOP, BOTTOM = 62, 12, 14, 42
_TICKS = 6

XY = Sequence[tuple[float, float]]


@dataclass(slots=True)
class Plot:
    """A plot; series are added, then `svg` gives its text. Titles name what is shown, with the unit."""

    title: str
    across: str
    up: str
    parts: list[tuple[str, XY, str]] = field(default_factory=list)

    def line(self, points: XY, kind: str = "curve") -> None:
        """A line through points."""
        self.parts.append((kind, points, ""))

    def dots(self, points: XY, titles: Sequence[str]) -> None:
        """Points, each with what is said where one rests on it."""
        for point, title in zip(points, titles, strict=True):
            self.parts.append(("dot", [point], title))

    def band(self, low: XY, high: XY) -> None:
        """The area between two lines."""
        self.parts.append(("band", [*low, *reversed(high)], ""))

    def svg(self) -> str:
        """The figure."""
        points = [point for _, part, _ in self.parts for point in part]
        across = scale([x for x, _ in points], LEFT, WIDTH - RIGHT)
        up = scale([y for _, y in points], HEIGHT - BOTTOM, TOP)
        body = [_grid(across, up, self.across, self.up)]
        for kind, part, title in self.parts:
            at = [(across.at(x), up.at(y)) for x, y in part]
            if kind == "dot":
                x, y = at[0]
                said = f"<title>{escape(title)}</title>"
                body.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="3.5">{said}</circle>')
            else:
                tag = "polygon" if kind == "band" else "polyline"
                text = " ".join(f"{x:.1f},{y:.1f}" for x, y in at)
                body.append(f'<{tag} class="{kind}" points="{text}"/>')
        return _svg(self.title, "\n".join(body), HEIGHT)


@dataclass(frozen=True, slots=True)
class Scale:
    """Figures to places on the page."""

    low: float
    high: float
    start: float
    end: float
    ticks: tuple[float, ...]

    def at(self, value: float) -> float:
        """Where a value lies."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)


def scale(values: Sequence[float], start: float, end: float) -> Scale:
    """A scale over all values, with round figures as ticks."""
    low, high = min(values), max(values)
    room = (high - low) * 0.05 or max(abs(high), 1.0) * 0.05
    low, high = low - room, high + room
    step = _round_step((high - low) / _TICKS)
    first = math.ceil(low / step)
    ticks = tuple(number * step for number in range(first, math.floor(high / step) + 1))
    return Scale(low, high, start, end, ticks)


def bars(title: str, rows: Sequence[tuple[str, float, str]]) -> str:
    """Horizontal bars: name, length as a share of the longest one, and what is written behind it."""
    longest = max(length for _, length, _ in rows) or 1.0
    body = []
    for number, (name, length, said) in enumerate(rows):
        y = 8 + 30 * number
        width = 360 * length / longest
        body.append(f'<text x="0" y="{y + 14}">{escape(name)}</text>')
        body.append(f'<rect class="bar" x="110" y="{y}" width="{width:.1f}" height="20"/>')
        body.append(f'<text x="{118 + width:.1f}" y="{y + 14}">{escape(said)}</text>')
    return _svg(title, "\n".join(body), 16 + 30 * len(rows))


def _grid(across: Scale, up: Scale, below: str, beside: str) -> str:
    lines = []
    for tick in across.ticks:
        x = across.at(tick)
        lines.append(f'<line class="grid" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEIGHT - BOTTOM}"/>')
        lines.append(f'<text x="{x:.1f}" y="{HEIGHT - BOTTOM + 15}" text-anchor="middle">{tick:.6g}</text>')
    for tick in up.ticks:
        y = up.at(tick)
        lines.append(f'<line class="grid" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>')
        lines.append(f'<text x="{LEFT - 6}" y="{y + 4:.1f}" text-anchor="end">{tick:.6g}</text>')
    middle = (LEFT + WIDTH - RIGHT) / 2
    lines.append(
        f'<text class="faint" x="{middle}" y="{HEIGHT - 8}" text-anchor="middle">{escape(below)}</text>'
    )
    turned = f'transform="translate(14 {HEIGHT / 2}) rotate(-90)" text-anchor="middle"'
    lines.append(f'<text class="faint" {turned}>{escape(beside)}</text>')
    return "\n".join(lines)


def _round_step(about: float) -> float:
    power = 10.0 ** math.floor(math.log10(about))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= about)


def _svg(title: str, body: str, height: float) -> str:
    return (
        f'<svg viewBox="0 0 {WIDTH} {height:g}" role="img" aria-label="{escape(title)}">\n'
        f"<title>{escape(title)}</title>\n{body}\n</svg>"
    )
