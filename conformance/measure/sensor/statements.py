"""What somebody states of a track and its trains, in a small TOML file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from protocol.foreign_text import one_line
from protocol.toml_problems import NotToml, parse_toml
from protocol.trouble import Trouble

_MOST_MM = 100_000
_FIX = "See 'yardwire measure sensor --help' for a file"


@dataclass(frozen=True, slots=True)
class TrackStatement:
    """The track: places in mm along it, trains come in towards larger figures and pass the end sensor first."""

    arming: float | None
    """Today's place of the arming sensor; None where it has none yet."""
    end: float = 0.0
    reach: float = 12.0
    """A magnet this near to a sensor may close it."""
    surely: float = 3.0
    """A magnet that comes this near has closed it."""
    debounce_ms: float = 3.0
    bounce_ms: float = 1.0
    tolerance: float = 1.0
    """How far any stated place may be off."""


@dataclass(frozen=True, slots=True)
class TrainStatement:
    """One train: magnets in mm behind its front, its greatest speed where it arms, and its way until it creeps."""

    name: str
    arming: float
    end: float
    couplings: tuple[float, ...] = ()
    motor: tuple[float, ...] = ()
    """Places in the locomotive where its motor closes a sensor."""
    fastest: float = 0.0
    """In mm/s."""
    coasts: float = 0.0
    """In mm, from arming until the train is slow enough to be stopped by its end magnet."""

    @property
    def passing(self) -> tuple[float, ...]:
        """All magnets but the last."""
        return (self.arming, *self.motor, *self.couplings)


def read_statements(content: bytes, where: str) -> tuple[TrackStatement, tuple[TrainStatement, ...]]:
    """The track and the trains of a file. Raises Trouble with the place of the first mistake."""
    try:
        data = parse_toml(content)
    except NotToml as error:
        raise Trouble(str(error.problem), where=where) from None
    table = _table(data, "track", where)
    _only(table, TrackStatement.__dataclass_fields__, "track", where)
    figures = {key: _figure(value, f"track.{key}", where) for key, value in table.items()}
    track = TrackStatement(figures.pop("arming", None), **figures)
    if track.surely > track.reach:
        raise Trouble("track.surely: more than track.reach", where=where, fix="What surely closes may close")
    rows = _table(data, "trains", where)
    _only(data, {"track": 0, "trains": 0}, "the file", where)
    if not rows:
        raise Trouble("there is no train", where=where, fix="Add [trains.NAME]")
    return track, tuple(_train(one_line(name[:40]), _table(rows, name, where), where) for name in rows)


def _train(name: str, row: Mapping[str, Any], where: str) -> TrainStatement:
    place = f"trains.{name}"
    fields = {key: 0 for key in TrainStatement.__dataclass_fields__ if key != "name"}
    _only(row, fields, place, where)
    values: dict[str, Any] = {}
    for key, value in row.items():
        if key in ("couplings", "motor"):
            if not isinstance(value, list):
                raise Trouble(f"{place}.{key}: no list of places", where=where, fix=_FIX)
            values[key] = tuple(_figure(one, f"{place}.{key}", where) for one in value)
        else:
            values[key] = _figure(value, f"{place}.{key}", where)
    for key in ("arming", "end"):
        if key not in values:
            raise Trouble(f"{place}: {key} missing", where=where, fix="Give it in mm behind the front")
    train = TrainStatement(name, **values)
    if train.end <= max(train.passing):
        raise Trouble(
            f"{place}.end: a magnet lies behind it", where=where, fix="The end magnet is the last one"
        )
    return train


def _table(data: Mapping[str, Any], key: str, where: str) -> Mapping[str, Any]:
    found = data.get(key)
    if not isinstance(found, dict):
        raise Trouble(f"{key}: no table of that name", where=where, fix=_FIX)
    return found


def _only(row: Mapping[str, Any], known: Mapping[str, Any], place: str, where: str) -> None:
    for key in row:
        if key not in known:
            fix = f"Known are: {', '.join(known)}"
            raise Trouble(f"{place}: {one_line(key[:40])} unknown here", where=where, fix=fix)


def _figure(value: Any, place: str, where: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 0 <= value <= _MOST_MM:
        raise Trouble(f"{place}: no figure from 0 to {_MOST_MM:,}", where=where, fix=_FIX)
    return float(value)
