"""The statistics of a recording as one self-contained HTML page with plots."""

from __future__ import annotations

from dataclasses import dataclass

from conformance.recordings.show.statistics import Statistics
from conformance.templates import environment
from protocol.recording import Header

WIDTH, HEIGHT = 900, 160
STEPS_MS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 5000, 60_000)
"""Upper ends of the bars of a latency plot."""
TICKS = 4
"""Steps of the axis of values."""


@dataclass(frozen=True, slots=True)
class Column:
    """One bar of a plot."""

    x: float
    y: float
    width: float
    height: float
    title: str
    label: str = ""


@dataclass(frozen=True, slots=True)
class Plot:
    """Bars over an axis of values: each tick is y and what it says, `unit` what the values are."""

    columns: list[Column]
    ticks: list[tuple[float, str]]
    unit: str


def figures_page(header: Header, found: Statistics) -> str:
    """Render the page."""
    return (
        environment()
        .get_template("figures.html.j2")
        .render(
            header=header,
            found=found,
            figures=found.as_json(),
            rates=_rates(found),
            latencies=[
                (f"{node}: {act}", one, _latency(one.counts))
                for (node, act), one in sorted(found.latencies.items())
            ],
            width=WIDTH,
            height=HEIGHT,
        )
    )


def _rates(found: Statistics) -> Plot:
    seconds = found.bar_ms / 1000
    rows = [(f"{index * seconds:g} s", count / seconds) for index, count in enumerate(found.bars)]
    return _plot(rows, "/s", every=max(1, len(rows) // 10))


def _latency(counts: dict[int, int]) -> Plot:
    rows = []
    low = -1
    for high in STEPS_MS:
        rows.append((f"{high} ms", float(sum(count for ms, count in counts.items() if low < ms <= high))))
        low = high
    return _plot(rows, " orders", every=1)


def _plot(rows: list[tuple[str, float]], unit: str, every: int) -> Plot:
    tick = _step(max((value for _, value in rows), default=0))
    most = tick * TICKS
    step = WIDTH / max(len(rows), 1)
    columns = [
        Column(
            round(index * step, 1), round(HEIGHT * (1 - value / most), 1), round(step * 0.9, 1),
            round(HEIGHT * value / most, 1), f"{name}: {value:g}{unit}", name if index % every == 0 else "",
        )
        for index, (name, value) in enumerate(rows)
    ]  # fmt: skip
    ticks = [(round(HEIGHT * (1 - number / TICKS), 1), f"{number * tick:g}") for number in range(TICKS + 1)]
    return Plot(columns, ticks, unit.strip())


def _step(most: float) -> float:
    """The least of 1, 2, 5, 10, 20, ... that `TICKS` of reach `most`."""
    power = 1
    while True:
        for digit in (1, 2, 5):
            if digit * power * TICKS >= most:
                return digit * power
        power *= 10
