"""What may be ordered from the page, against the schemas of the acts; and errands between two threads."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from typing import Any

import pytest

from conformance.page.server.desk import (
    Goal,
    Held,
    Question,
    Review,
    Unanswered,
    WithdrawnQuestion,
    done_by,
)
from conformance.page.server.order_forms import DESKS_OWN, NOT_OFFERED, InvalidRequest, offers
from conformance.page.server.requests import RequestHandler
from protocol.schemas import is_valid
from protocol.site_file import scenario
from protocol.specification import specification
from reference_node.supervisor.person.request import Review as Looked

OFFERS = {(offer.node, offer.act): offer for offer in offers(scenario())}
DESKS = {
    "boot": 1, "id": 7, "deadline": 9, "ref": 5, "reading": 178, "arrival": 1, "berth_boot": 1, "stop": 1,
    "shuttle_boot": 1, "faults": 1, "holds": 1,
}  # fmt: skip
GIVEN: dict[tuple[str, str], dict[str, object]] = {
    ("north", "transfer"): {"from": "stack-n", "from_slot": "3", "to": "ferry", "to_slot": "0", "box": "B-1"},
    ("north", "jog"): {"x": "600", "y": "0", "z": "-0"},
    ("north", "reset-fault"): {"found": "box"},
    ("south", "transfer"): {"to": "siding", "to_slot": "2", "box": "B-1"},
    ("south", "jog"): {"x": "900", "y": "240", "z": "160"},
    ("south", "reset-fault"): {"found": "none"},
    ("siding", "admit"): {"train": "T-7"},
    ("siding", "reset-fault"): {"found": "none"},
    ("ferry", "run"): {"to": "quay-s"},
    ("ferry", "reset-fault"): {"place": "quay-n"},
}


def test_every_act_of_a_role_is_offered_or_left_out_on_purpose() -> None:
    spec = specification()
    for node in scenario().nodes.values():
        takes = set().union(*(spec.acts_of(role) for role in node.roles))
        assert {act for name, act in OFFERS if name == node.name} == takes - NOT_OFFERED


@pytest.mark.parametrize("key", OFFERS, ids="-".join)
def test_what_is_filled_in_becomes_a_valid_order(key: tuple[str, str]) -> None:
    """With what the desk adds, it is valid by the schema of the act (jsonschema-rs)."""
    act = key[1]
    schema = specification().acts[act]
    fields = OFFERS[key].read(GIVEN.get(key, {}))
    own = {name: DESKS[name] for name in schema["properties"] if name in DESKS_OWN - {"act"}}
    assert is_valid("job-order", {"act": act, **own, **fields}, closed=True)


def test_every_field_of_an_act_is_a_persons_or_the_desks() -> None:
    spec = specification()
    for (node, act), offer in OFFERS.items():
        persons = {"target"} if act == "jog" else {field.name for field in offer.fields}
        assert not persons & DESKS_OWN
        left = set(spec.acts[act]["properties"]) - DESKS_OWN - persons
        assert left <= ({"place", "found"} if act == "reset-fault" else set()), (node, act)


@pytest.mark.parametrize(
    ("act", "given"),
    [
        ("transfer", {"to": "ferry", "to_slot": "0"}),
        ("transfer", {"to": "siding", "to_slot": "0", "box": "B1"}),
        ("transfer", {"to": "ferry", "to_slot": "4", "box": "B1"}),
        ("transfer", {"to": "ferry", "to_slot": "0x1", "box": "B1"}),
        ("transfer", {"to": "ferry", "to_slot": "0", "box": "B 1"}),
        ("transfer", {"to": "ferry", "to_slot": "0", "box": "B1234567890123"}),
        ("transfer", {"to": "ferry", "to_slot": "0", "box": "B1", "from": "stack-n"}),
        ("transfer", {"to": "ferry", "to_slot": "0", "box": "B1", "deadline": "99"}),
        ("jog", {"x": "601", "y": "0", "z": "0"}),
        ("jog", {"x": "1", "y": "1"}),
        ("jog", {"x": "\u0661", "y": "1", "z": "1"}),
        ("home", {"id": "1"}),
    ],
)
def test_what_does_not_fit_is_not_taken(act: str, given: dict[str, object]) -> None:
    with pytest.raises(InvalidRequest):
        OFFERS["north", act].read(given)


class Noting:
    """Notes what is asked of it."""

    def __init__(self) -> None:
        self.asked: list[tuple[Any, ...]] = []
        self.looked: list[tuple[Any, ...]] = []

    def order(self, node: str, act: str, **fields: Any) -> str | None:
        self.asked.append((node, act, fields))
        return "busy" if act == "park" else None

    def hold(self, node: str) -> str | None:
        self.asked.append(("hold", node))
        return None

    def held(self) -> list[Held]:
        return []

    def resume(self, *nodes: str) -> str | None:
        self.asked.append(("resume", *nodes))
        return None

    def tell(self, place: str, slot: int, box: str | None) -> str | None:
        self.asked.append((place, slot, box))
        return None

    def goals(self) -> list[Goal]:
        return []

    def want(self, box: str, place: str, slot: int) -> str | None:
        self.asked.append(("want", box, place, slot))
        return None

    def want_train(self, berth: str, train: str, takes: Sequence[tuple[int, str]]) -> str | None:
        self.asked.append(("train", berth, train, takes))
        return None

    def drop(self, number: int) -> str | None:
        self.asked.append(("drop", number))
        return None

    def reorder(self, number: int, position: int) -> str | None:
        self.asked.append(("reorder", number, position))
        return None

    def review(self, ask: str, *given: Any, **fields: Any) -> Review:
        self.looked.append((ask, *given, fields))
        return Looked(None, "much")

    def questions(self) -> list[Question]:
        return []

    def withdrawn(self) -> list[WithdrawnQuestion]:
        return []

    def answer(self, number: int, choice: str) -> str | None:
        self.asked.append((number, choice))
        return None

    def events(self) -> list[str]:
        return [str(number) for number in range(99)]


def test_the_clerk_asks_the_desk_for_what_was_asked() -> None:
    desk = Noting()
    request_handler = RequestHandler(scenario(), desk, lambda work: work())
    assert (
        request_handler.do({"do": "order", "node": "ferry", "act": "run", "fields": {"to": "quay-s"}}) is None
    )
    assert request_handler.do({"do": "order", "node": "north", "act": "park"}) == "busy"
    request_handler.do({"do": "hold", "node": "all"})
    request_handler.do({"do": "resume", "nodes": ["north", "ferry"]})
    request_handler.do({"do": "tell", "place": "siding", "slot": 2, "box": ""})
    request_handler.do({"do": "tell", "place": "siding", "slot": 0, "box": "B1"})
    request_handler.do({"do": "answer", "number": 3, "choice": "it is empty"})
    assert desk.asked == [
        ("ferry", "run", {"to": "quay-s"}), ("north", "park", {}), ("hold", "all"), ("resume", "north", "ferry"),
        ("siding", 2, None), ("siding", 0, "B1"), (3, "it is empty"),
    ]  # fmt: skip
    assert request_handler.look().events[-1] == "98"
    assert len(request_handler.look().events) == 30


def test_goals_reach_the_desk_and_a_look_asks_for_nothing() -> None:
    desk = Noting()
    request_handler = RequestHandler(scenario(), desk, lambda work: work())
    asked: list[dict[str, Any]] = [
        {"do": "want", "box": "B1", "place": "stack-s", "slot": "1"},
        {"do": "train", "berth": "siding", "train": "T-7", "takes": [["0", "B1"], [2, "B2"]]},
        {"do": "drop", "number": 3},
        {"do": "reorder", "number": 3, "position": 1},
        {"do": "order", "node": "north", "act": "park"},
        {"do": "tell", "place": "siding", "slot": 2, "box": ""},
        {"do": "answer", "number": 3, "choice": "it is empty"},
    ]
    for one in asked:
        assert request_handler.review(one).will == "much"
    assert desk.asked == []
    assert [one[0] for one in desk.looked] == [
        "want",
        "want_train",
        "drop",
        "reorder",
        "order",
        "tell",
        "answer",
    ]
    for one in asked[:4]:
        assert request_handler.do(one) is None
    assert desk.asked == [
        ("want", "B1", "stack-s", 1), ("train", "siding", "T-7", [(0, "B1"), (2, "B2")]),
        ("drop", 3), ("reorder", 3, 1),
    ]  # fmt: skip
    with pytest.raises(InvalidRequest):
        request_handler.review({"do": "hold", "node": "all"})


@pytest.mark.parametrize(
    "asked",
    [
        {"do": "want", "box": "B1", "place": "moon", "slot": 0},
        {"do": "want", "box": "B_1", "place": "siding", "slot": 0},
        {"do": "want", "place": "siding", "slot": 0},
        {"do": "train", "berth": "north", "train": "T"},
        {"do": "train", "berth": "siding", "train": "T", "takes": "B1"},
        {"do": "train", "berth": "siding", "train": "T", "takes": [["B1"]]},
        {"do": "train", "berth": "siding", "train": "T", "takes": [[0, "B1"]] * 9},
        {"do": "want", "box": True, "place": "siding", "slot": 0},
        {"do": "want", "box": 5, "place": "siding", "slot": 0},
        {"do": "train", "berth": "siding", "train": True, "takes": []},
        {"do": "train", "berth": "siding", "train": "T", "takes": [[0, 5]]},
        {"do": "tell", "place": "siding", "slot": 0, "box": True},
        {"do": "tell", "place": "siding", "slot": 0, "box": 12},
        {"do": "answer", "number": True, "choice": "x"},
        {"do": "drop"},
        {"do": "drop", "number": -1},
        {"do": "reorder", "number": 1, "position": -1},
        {},
        {"do": "dance"},
        {"do": ["hold"]},
        {"do": "order", "node": "yard", "act": "home"},
        {"do": "order", "node": "north", "act": "claim"},
        {"do": "order", "node": "north", "act": "home", "fields": []},
        {"do": "hold", "node": "nobody"},
        {"do": "hold", "node": ["all"]},
        {"do": "hold"},
        {"do": "resume"},
        {"do": "resume", "node": "all"},
        {"do": "resume", "nodes": []},
        {"do": "resume", "nodes": ["all"]},
        {"do": "resume", "nodes": "north"},
        {"do": "resume", "nodes": ["north", "nobody"]},
        {"do": "resume", "nodes": [["north"]]},
        {"do": "tell", "place": "siding", "slot": 3},
        {"do": "tell", "place": "moon", "slot": 0},
        {"do": "tell", "place": "siding", "slot": 0, "box": "<b>"},
        {"do": "answer", "number": "1", "choice": "x"},
        {"do": "answer", "number": 1, "choice": "x" * 201},
    ],
)
def test_the_clerk_takes_nothing_that_the_page_does_not_offer(asked: dict[str, Any]) -> None:
    desk = Noting()
    with pytest.raises(InvalidRequest):
        RequestHandler(scenario(), desk, lambda work: work()).do(asked)
    assert desk.asked == []


# ---------------------------------------------------------------- work for the desk's owner
def test_work_that_was_given_up_is_never_done() -> None:
    done: list[int] = []
    queued: list[Callable[[], None]] = []
    with pytest.raises(Unanswered, match="was not sent"):
        done_by(queued.append, lambda: done.append(1), 0.01)
    (late,) = queued
    late()
    assert done == []


@pytest.mark.parametrize("error", [RuntimeError("busy"), TimeoutError()])
def test_work_that_an_owner_queued_and_gave_up_is_never_done(error: Exception) -> None:
    done: list[int] = []
    queued: list[Callable[[], None]] = []

    def owner(do: Callable[[], None]) -> None:
        queued.append(do)
        raise error

    with pytest.raises(Unanswered, match="was not sent"):
        done_by(owner, lambda: done.append(1), 0.01)
    queued[0]()
    assert done == []


def test_work_that_was_begun_is_waited_for_and_then_not_known() -> None:
    begun, go_on = threading.Event(), threading.Event()
    threads: list[threading.Thread] = []

    def owner(do: Callable[[], None]) -> None:
        threads.append(threading.Thread(target=do))
        threads[-1].start()
        assert begun.wait(10)

    def work() -> str:
        begun.set()
        assert go_on.wait(10)
        return "done"

    with pytest.raises(Unanswered, match="not known"):
        done_by(owner, work, 0.01)
    go_on.set()
    threads[-1].join()
    assert done_by(owner, work, 10) == "done"


def test_what_work_raises_belongs_to_who_waits() -> None:
    with pytest.raises(ZeroDivisionError):
        done_by(lambda do: do(), lambda: 1 // 0, 10)


def test_a_time_out_of_the_work_itself_is_its_own() -> None:
    def work() -> None:
        raise TimeoutError("of the work")

    with pytest.raises(TimeoutError, match="of the work"):
        done_by(lambda do: do(), work, 10)


@pytest.mark.parametrize("error", [RuntimeError("the host has stopped"), TimeoutError()])
def test_an_owner_that_is_gone_is_told(error: Exception) -> None:
    def owner(_work: object) -> None:
        raise error

    with pytest.raises(Unanswered, match="was not sent"):
        RequestHandler(scenario(), Noting(), owner).do({"do": "hold", "node": "all"})
