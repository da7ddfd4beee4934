"""Track, sensors and magnets over the way of each train: a drawing to scale."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape

from conformance.measure.plot import LEFT, RIGHT, WIDTH, scale
from conformance.measure.sensor.interval import Answer, Window
from conformance.measure.sensor.statements import TrackStatement

_ROW = 58


def drawing(track: TrackStatement, answer: Answer) -> str:
    """Each train at the moment in which it arms, over the window of each and the interval of all."""
    place = answer.best if track.arming is None else track.arming
    figures = [track.end, place, *(limit for window in answer.windows for limit in (window.low, window.high))]
    for window in answer.windows:
        front = place + window.train.arming
        figures += [front, front - window.train.end]
    across = scale(figures, LEFT, WIDTH - RIGHT)
    height = 40 + _ROW * len(answer.windows) + 40
    body: list[str] = []
    if answer.exists:
        x, width = across.at(answer.low), across.at(answer.high) - across.at(answer.low)
        body.append(
            f'<rect class="window" x="{x:.1f}" y="24" width="{width:.1f}" height="{height - 64}"><title>every train: '
            f"{answer.low:.0f} to {answer.high:.0f} mm</title></rect>"
        )
    for name, figure in (("end sensor", track.end), ("arming sensor", place)):
        x = across.at(figure)
        body.append(f'<line class="sensor" x1="{x:.1f}" x2="{x:.1f}" y1="20" y2="{height - 40}"/>')
        body.append(f'<text x="{x:.1f}" y="14" text-anchor="middle">{name}</text>')
    for number, window in enumerate(answer.windows):
        body += _train(window, place, across.at, 34 + _ROW * number)
    for tick in across.ticks:
        body.append(
            f'<text x="{across.at(tick):.1f}" y="{height - 24}" text-anchor="middle">{tick:.6g}</text>'
        )
    middle = (LEFT + WIDTH - RIGHT) / 2
    body.append(
        f'<text class="faint" x="{middle}" y="{height - 8}" text-anchor="middle">way along the track, mm</text>'
    )
    title = "Each train at the moment in which it arms"
    return (
        f'<svg viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{title}">\n<title>{title}</title>\n'
        + "\n".join(body)
        + "\n</svg>"
    )


def _train(window: Window, place: float, at: Callable[[float], float], top: int) -> Sequence[str]:
    train = window.train
    front = place + train.arming
    left, right = at(front - train.end), at(front)
    body = [
        f'<text x="0" y="{top + 12}">{escape(train.name)}</text>',
        f'<rect class="train" x="{left:.1f}" y="{top}" width="{right - left:.1f}" height="14"/>',
        f'<line class="limits" x1="{at(window.low):.1f}" x2="{at(window.high):.1f}" y1="{top + 26}" y2="{top + 26}"/>',
    ]
    kinds = [("arming", train.arming), ("end", train.end)]
    kinds += [("coupling", one) for one in train.couplings] + [("motor", one) for one in train.motor]
    for kind, behind in kinds:
        said = f"<title>{kind}, {behind:g} mm behind the front</title>"
        body.append(
            f'<circle class="{kind}" cx="{at(front - behind):.1f}" cy="{top + 7}" r="4">{said}</circle>'
        )
    said = f"{window.low:.0f} to {window.high:.0f} mm" if window.low <= window.high else "no place suits it"
    start = at(min(window.low, window.high)) - 6
    body.append(f'<text x="{start:.1f}" y="{top + 30}" text-anchor="end">{said}</text>')
    return body
