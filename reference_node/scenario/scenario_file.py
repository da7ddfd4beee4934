"""Reads a scenario file and finds every mistake in it, each with its place in the file and how to fix it."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from functools import cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from protocol.site import PlaceKind, Site
from protocol.site_checks import SiteProblem
from protocol.specification import STATE_OF_ROLE, specification
from protocol.toml_problems import MOST_BYTES, NotToml, parse_toml, shape_problems
from protocol.trouble import Trouble
from reference_node.scenario.scenario import Answer, Event, Expect, Person, Scenario, Train
from reference_node.supervisor.observe.boxes import Spot
from reference_node.supervisor.plan.goal_state import Visit
from reference_node.supervisor.questions.question import Ask

EXAMPLE = "See 'yardwire supervise --list' for scenarios that come with the kit"
NODE_WANTED = frozenset({"reboot", "network-gone", "link-breaks", "hold", "jam", "emergency-stop"})
TIME_WANTED = frozenset({"network-gone", "orders-twice", "emergency-stop"})


class BadScenario(Trouble):
    """A scenario file with mistakes; `problems` has every one."""

    def __init__(self, where: str, problems: tuple[SiteProblem, ...]) -> None:
        """Say which file, and all that is wrong with it."""
        lines = "\n".join(f"  {problem}" for problem in problems)
        count = "one mistake" if len(problems) == 1 else f"{len(problems)} mistakes"
        super().__init__(f"{count} in the scenario file:\n{lines}", where=where)
        self.problems = problems


def library(site: str = "harlow-basin") -> dict[str, Traversable]:
    """The scenarios that come with the kit for a site, by name in the order of their names."""
    folder = resources.files("protocol").joinpath("scenarios", site, "supervise")
    files = [file for file in folder.iterdir() if file.name.endswith(".toml")] if folder.is_dir() else []
    return {file.name.removesuffix(".toml"): file for file in sorted(files, key=lambda file: file.name)}


def load_scenario(name: str, site: Site) -> Scenario:
    """The scenario of a path, or of a name in the library. Raises BadScenario, Trouble."""
    path, known = Path(name), library(site.name)
    if name in known and not path.exists():
        return read_scenario(known[name].read_bytes(), name, site)
    try:
        with path.open("rb") as file:
            content = file.read(MOST_BYTES + 1)
    except OSError as error:
        fix = f"Name a file, or one of: {', '.join(known)}" if known else "Name a scenario file"
        raise Trouble(f"cannot read the scenario: {error.strerror}", where=name, fix=fix) from error
    return read_scenario(content, name, site)


def read_scenario(content: bytes, where: str, site: Site) -> Scenario:
    """The scenario that `content` describes, checked against `site`. Raises BadScenario with every mistake."""
    try:
        data = parse_toml(content)
    except NotToml as error:
        raise BadScenario(where, (error.problem,)) from None
    from jsonschema import Draft202012Validator

    problems = tuple(shape_problems(Draft202012Validator(schema()), data, EXAMPLE))
    if not problems:
        problems = tuple(_sense_problems(data, site))
    if problems:
        raise BadScenario(where, problems)
    scenario = _build(data)
    try:
        scenario.goal_state(0)
    except ValueError as error:
        raise BadScenario(
            where, (SiteProblem("goals", str(error), "Ask for one thing at a time"),)
        ) from error
    return scenario


@cache
def schema() -> Mapping[str, Any]:
    """The shape of a scenario file, JSON Schema 2020-12."""
    file = resources.files(__package__).joinpath("scenario.schema.json")
    found: Mapping[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return found


# ---------------------------------------------------------------- sense
def _sense_problems(data: Mapping[str, Any], site: Site) -> Iterator[SiteProblem]:
    if data["site"] != site.name:
        yield SiteProblem(
            "site", f"this is a scenario of {data['site']!r}, not of {site.name!r}", "Take its site file"
        )
        return
    if not (data.get("trains") or any(data.get("goals", {}).values())):
        yield SiteProblem(
            "goals", "nothing is wanted, so nothing can be met", "Add goals.boxes, goals.shuttles or trains"
        )
    for place, row in data.get("start", {}).get("boxes", {}).items():
        yield from _row(f"start.boxes.{place}", place, row, site)
    for part in ("goals", "expect"):
        for box, spot in data.get(part, {}).get("boxes", {}).items():
            yield from _spot(f"{part}.boxes.{box}", spot, site)
    for shuttle, stop in data.get("goals", {}).get("shuttles", {}).items():
        yield from _stop(f"goals.shuttles.{shuttle}", shuttle, stop, site)
    for number, train in enumerate(data.get("trains", ())):
        yield from _train(f"trains.{number}", train, site)
    yield from _story(data, site)
    yield from _boxes_twice(data)


def _story(data: Mapping[str, Any], site: Site) -> Iterator[SiteProblem]:
    """What happens, and what is asked."""
    for number, event in enumerate(data.get("events", ())):
        yield from _event(f"events.{number}", event, site)
        yield from _said_by(f"events.{number}.when", str(event.get("when", "")), site)
    for key in ("asked", "not_asked"):
        for question in data.get("expect", {}).get(key, ()):
            yield from _question(f"expect.{key}", *_halves(question), site)
    for number, answer in enumerate(data.get("answers", ())):
        yield from _question(f"answers.{number}", answer["about"], answer["where"], site)


def _row(where: str, place: str, row: list[str], site: Site) -> Iterator[SiteProblem]:
    known = site.places.get(place)
    if known is None:
        yield SiteProblem(where, f"there is no place {place!r}", f"Places are: {', '.join(site.places)}")
    elif known.kind is PlaceKind.TRACK:
        yield SiteProblem(
            where, "what stands on a train comes with the train", "Say it with 'brings' of the train"
        )
    elif len(row) != known.slots:
        yield SiteProblem(
            where, f"{place} has {known.slots} slots, not {len(row)}", "Name every slot, '' for nothing"
        )
    else:
        for slot, box in enumerate(row):
            below = known.below(slot)
            if box and below is not None and not row[below]:
                yield SiteProblem(
                    where, f"box {box} hangs in the air: slot {below} is empty", "Start at the ground"
                )


def _spot(where: str, spot: list[Any], site: Site) -> Iterator[SiteProblem]:
    place, slot = spot
    if place not in site.places:
        yield SiteProblem(where, f"there is no place {place!r}", f"Places are: {', '.join(site.places)}")
    elif slot >= site.places[place].slots:
        yield SiteProblem(
            where, f"{place} has slots 0 to {site.places[place].slots - 1}, not {slot}", EXAMPLE
        )


def _stop(where: str, shuttle: str, stop: str, site: Site) -> Iterator[SiteProblem]:
    known = {node.name: node.shuttle.stops for node in site.with_role("shuttle") if node.shuttle is not None}
    if shuttle not in known:
        yield SiteProblem(
            where, f"there is no shuttle {shuttle!r}", f"Shuttles are: {', '.join(known) or 'none'}"
        )
    elif stop not in known[shuttle]:
        yield SiteProblem(
            where, f"{shuttle} does not stop at {stop!r}", f"Stops are: {', '.join(known[shuttle])}"
        )


def _train(where: str, train: Mapping[str, Any], site: Site) -> Iterator[SiteProblem]:
    berths = [node.name for node in site.with_role("berth")]
    track = site.place_of(train["berth"]) if train["berth"] in berths else None
    if track is None:
        yield SiteProblem(
            where, f"there is no berth {train['berth']!r}", f"Berths are: {', '.join(berths) or 'none'}"
        )
        return
    if "brings" in train and len(train["brings"]) != track.slots:
        yield SiteProblem(
            f"{where}.brings", f"a train there has {track.slots} slots", "Name every slot, '' for nothing"
        )
    for box, slot in train.get("takes", {}).items():
        yield from _spot(f"{where}.takes.{box}", [track.name, slot], site)
    if len(set(train.get("takes", {}).values())) < len(train.get("takes", {})):
        yield SiteProblem(f"{where}.takes", "two boxes are wanted in one slot", "Give each a slot of its own")


def _event(where: str, event: Mapping[str, Any], site: Site) -> Iterator[SiteProblem]:
    if sum(key in event for key in ("at_s", "after_job", "when")) != 1:
        yield SiteProblem(
            where, "it has to be said once when it happens", "Give one of at_s, after_job and when"
        )
    if event["do"] in NODE_WANTED and "node" not in event:
        yield SiteProblem(where, f"{event['do']} has to say to which node", "Add node")
    known = [*site.nodes, "all"]
    for name in (event.get("node", "all"), event.get("when", "all").partition(" ")[0]):
        if name not in known:
            yield SiteProblem(where, f"there is no node {name!r}", f"Nodes are: {', '.join(site.nodes)}")
    crane = site.nodes[event["node"]].crane if event.get("node") in site.nodes else None
    if event["do"] == "jam" and (crane is None or event.get("axis", 0) >= len(crane.axes)):
        yield SiteProblem(
            where, "only an axis of a crane jams", "Name a crane and one of its axes, 0 for the first"
        )
    if event["do"] in TIME_WANTED and "for_s" not in event:
        yield SiteProblem(where, f"{event['do']} has to say for how long", "Add for_s")
    if event["do"] == "box-by-hand":
        if "box" not in event or "to" not in event:
            yield SiteProblem(where, "box-by-hand has to say which box and where to", "Add box and to")
        else:
            yield from _spot(f"{where}.to", event["to"], site)


def _said_by(where: str, when: str, site: Site) -> Iterator[SiteProblem]:
    """A word that no node says would be waited for in vain."""
    name, said = _halves(when)
    node = site.nodes.get(name)
    if when and name == "all":
        yield SiteProblem(where, "one node says it, not all", f"Nodes are: {', '.join(site.nodes)}")
    if not when or node is None:
        return
    spec, words = specification(), list(specification().words("step"))
    for role in node.roles:
        fields = spec.messages[STATE_OF_ROLE[role]]["properties"] if role in STATE_OF_ROLE else {}
        words += [word for key in ("state", "mode") for word in fields.get(key, {}).get("enum", ())]
    if node.is_supervisor or said not in words:
        fix = "Name a crane, berth or shuttle" if node.is_supervisor else f"It says: {', '.join(words)}"
        yield SiteProblem(where, f"{name} never says {said!r}", fix)


def _question(where: str, about: str, of: str, site: Site) -> Iterator[SiteProblem]:
    """A question that is never asked would be expected, or not, in vain."""
    if about not in list(Ask):
        yield SiteProblem(where, f"no question is about {about!r}", f"They are about: {', '.join(Ask)}")
    elif of not in site.nodes and of not in site.places:
        known = ", ".join(dict.fromkeys((*site.nodes, *site.places)))
        yield SiteProblem(where, f"there is no node or place {of!r}", f"Known are: {known}")


def _halves(text: str) -> tuple[str, str]:
    first, _, rest = text.partition(" ")
    return first, rest


def _boxes_twice(data: Mapping[str, Any]) -> Iterator[SiteProblem]:
    rows = [
        *data.get("start", {}).get("boxes", {}).values(),
        *(t.get("brings", ()) for t in data.get("trains", ())),
    ]
    boxes = [box for row in rows for box in row if box]
    for box in sorted({box for box in boxes if boxes.count(box) > 1}):
        yield SiteProblem("start", f"box {box} stands in two places", "A box is in one place")


# ---------------------------------------------------------------- building
def _build(data: Mapping[str, Any]) -> Scenario:
    start, goals, person = data.get("start", {}), data.get("goals", {}), data.get("person", {})
    return Scenario(
        site=data["site"],
        title=data["title"],
        within_ms=data["within_s"] * 1000,
        about=data.get("about", "").strip(),
        seed=data.get("seed", 1),
        imperfect=tuple(data.get("imperfect", ())),
        loss=data.get("loss_percent", 0) / 100,
        repeat=data.get("repeat_percent", 0) / 100,
        known=start.get("known", True),
        contents={place: tuple(row) for place, row in start.get("boxes", {}).items()},
        boxes=_spots(goals.get("boxes", {})),
        shuttles=goals.get("shuttles", {}),
        trains=tuple(_built_train(train) for train in data.get("trains", ())),
        person=Person(
            person.get("answers", True), person.get("walk_s", 3) * 1000, person.get("swaps_locomotive", False)
        ),
        answers=tuple(
            Answer(one["about"], one["where"], tuple(one["say"])) for one in data.get("answers", ())
        ),
        events=tuple(_built_event(event) for event in data.get("events", ())),
        expect=_built_expect(data.get("expect", {})),
    )


def _built_train(train: Mapping[str, Any]) -> Train:
    takes = {slot: box for box, slot in train.get("takes", {}).items()}
    visit = Visit(
        train["train"], train["berth"], tuple(train.get("brings", ())), takes, train.get("departs", True),
        train.get("not_before_s", 0) * 1000,
    )  # fmt: skip
    return Train(visit, train.get("pulls", "usual"))


def _built_event(event: Mapping[str, Any]) -> Event:
    found: dict[str, Any] = {
        key: event[key] for key in ("do", "after_job", "when", "node", "axis", "box") if key in event
    }
    found |= {key[:-2] + "_ms": event[key] * 1000 for key in ("at_s", "then_s", "for_s") if key in event}
    if "to" in event:
        found["to"] = Spot(*event["to"])
    return Event(**found)


def _built_expect(expect: Mapping[str, Any]) -> Expect:
    found: dict[str, Any] = {
        key: expect[key] for key in ("met", "failed", "alarms", "waits_for") if key in expect
    }
    found |= {key: tuple(expect[key]) for key in ("gone", "asked", "not_asked") if key in expect}
    if "ends_within_s" in expect:
        found["ends_within_ms"] = expect["ends_within_s"] * 1000
    return Expect(boxes=_spots(expect.get("boxes", {})), **found)


def _spots(found: Mapping[str, Any]) -> dict[str, Spot]:
    return {box: Spot(*spot) for box, spot in found.items()}
