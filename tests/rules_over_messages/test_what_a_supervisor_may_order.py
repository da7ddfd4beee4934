"""Rules of a supervisor's orders, each at its edges: claims, ids, tokens, deadlines, trains, shuttles and repeats."""

from __future__ import annotations

from typing import Any

import pytest

from protocol.counting import CLAIM_STEP
from protocol.rules.orders import DOUBT_US, RACE_US, TOKENS_KEPT, TOLD_ENOUGH
from protocol.site_file import scenario
from protocol.specification import specification
from tests.rules_over_messages.heard import BOOT, SECOND, Bus

SITE = scenario()
CLAIM = 4096
ID = CLAIM + 1
LEAD = specification().most_ms("order_lead")


def claimed(node: str = "north", *, site: bool = True) -> Bus:
    """A node that was heard, and a claim."""
    bus = Bus(SITE if site else None)
    message = {
        "north": "crane-status",
        "south": "crane-status",
        "siding": "train-arrival",
        "ferry": "shuttle-status",
    }
    assert bus.says(node, message[node]) == []
    assert bus.order(node, "claim", id=CLAIM) == []
    return bus


def job(bus: Bus, act: str = "park", node: str = "north", id_: int = ID, **more: Any) -> list[str]:
    return bus.order(node, act, id=id_, deadline=bus.uptime + 5_000, **more)


# ---------------------------------------------------------------- claims and ids
@pytest.mark.parametrize(
    ("by", "told"), [(0, ["SUP-01"]), (1, []), (255, []), (256, ["SUP-01"]), (-1, ["SUP-01"])]
)
def test_a_job_stands_under_a_claim(by: int, told: list[str]) -> None:
    """SUP-01: 256 ids from the claim on, the claim's own left out."""
    bus = Bus()
    bus.order("north", "claim", id=CLAIM)
    bus.orders._newest.clear()
    assert job(bus, id_=CLAIM + by) == told


def test_any_of_its_claims_covers_it_and_the_nearest_is_told() -> None:
    bus = Bus()
    assert job(bus) == [], "claimed before anybody listened, perhaps"
    bus = Bus()
    for claim in (CLAIM, 3 * CLAIM, 2 * CLAIM):
        bus.order("north", "claim", id=claim)
    assert job(bus, id_=3 * CLAIM + 7) == []
    bus.order("north", "claim", id=4 * CLAIM)
    assert job(bus, id_=4 * CLAIM + 300) == ["SUP-01"]
    assert "of another claim number" not in bus.found[0].what
    assert job(bus, id_=CLAIM_STEP + 6 * CLAIM) == ["SUP-01"]
    assert "of another claim number" in bus.found[0].what
    assert job(bus, node="south", id_=9) == [], "of another node"
    assert job(bus, boot=BOOT + 1, id_=9) == [], "or boot"


def test_the_newest_sixteen_claims_are_known() -> None:
    bus = Bus()
    for number in range(1, 18):
        bus.order("north", "claim", id=256 * number)
    bus.orders._newest.clear()
    assert job(bus, id_=256 * 2 + 5) == []
    bus.orders._newest.clear()
    assert job(bus, id_=256 + 5) == ["SUP-01"]


@pytest.mark.parametrize(("id_", "told"), [(512, []), (513, ["SUP-03"]), (767, ["SUP-03"]), (768, [])])
def test_the_last_eight_bits_of_a_claim_are_zero(id_: int, told: list[str]) -> None:
    """SUP-03."""
    assert Bus().order("north", "claim", id=id_) == told


def test_ids_go_up_and_name_one_order() -> None:
    """SUP-04."""
    bus = claimed()
    assert job(bus, id_=ID + 4) == []
    number = bus.number
    assert job(bus, id_=ID + 2) == ["SUP-04"]
    assert bus.found[0].since == number
    assert job(bus, id_=ID + 3) == ["SUP-04"], "the highest stays the newest"
    assert job(bus, id_=ID + 5) == []
    assert bus.order("north", "claim", id=256) == [], "a claim may lie below"
    assert job(bus, "home", id_=ID + 5) == ["SUP-04"]
    assert "names another order" in bus.found[0].what
    assert job(bus, "run", "ferry", id_=2) == [], "each node by itself"
    bus.orders.forget()
    assert job(bus, id_=ID) == [], "what was before a gap is not known"


@pytest.mark.parametrize(
    ("by", "us", "told"),
    [(0, RACE_US + 1, ["SUP-07"]), (0, RACE_US, []), (2, RACE_US + 1, []), (3, RACE_US + 1, [])],
)
def test_below_the_mark_a_supervisor_was_replaced(by: int, us: int, told: list[str]) -> None:
    """SUP-07; what it cannot have heard yet is not held against it."""
    bus = claimed()
    bus.says("north", "crane-status", mark=CLAIM + 3)
    bus.now += us
    assert job(bus, id_=ID + by) == told
    assert bus.order("north", "claim", id=256) == []


def test_the_mark_of_another_boot_tells_nothing() -> None:
    bus = claimed()
    bus.says("north", "crane-status", mark=CLAIM + 200)
    bus.now += 2 * RACE_US
    bus.order("north", "claim", boot=BOOT + 1, id=CLAIM)
    assert job(bus, boot=BOOT + 1) == []


# ---------------------------------------------------------------- tokens
@pytest.mark.parametrize(("us", "told"), [(100_000, []), (100_001, ["SUP-06"])])
def test_a_token_is_used_once(us: int, told: list[str]) -> None:
    """SUP-06; an ask to several nodes may be heard at one moment."""
    bus = Bus()
    assert bus.order("north", "ask", token=5) == []
    number = bus.number
    bus.now += us
    assert bus.order("ferry", "ask", token=5) == told
    assert [one.since for one in bus.found] == [number] * len(told)
    assert bus.order("north", "ask", token=6) == []


def test_so_many_tokens_are_known() -> None:
    for others, told in ((TOKENS_KEPT - 1, ["SUP-06"]), (TOKENS_KEPT, [])):
        bus = Bus()
        for token in range(others + 1):
            bus.order("north", "ask", token=token)
        bus.now += SECOND
        assert bus.order("north", "ask", token=0) == told


# ---------------------------------------------------------------- repeats
@pytest.mark.parametrize(("state", "us", "told"), [("done", RACE_US + 1, ["SUP-05?"]), ("done", RACE_US, []),
                                                   ("running", RACE_US + 1, [])])  # fmt: skip
def test_what_has_ended_is_not_repeated(state: str, us: int, told: list[str]) -> None:
    """SUP-05; where the end was said once only, its supervisor may have missed it."""
    bus = claimed()
    order = {"deadline": bus.uptime + 5_000}
    bus.order("north", "park", id=ID, **order)
    bus.report("north", "park", ID, state)
    bus.now += us
    assert bus.order("north", "park", id=ID, **order) == told
    if not told:
        return
    for _ in range(TOLD_ENOUGH - 2):
        bus.says("north", "crane-status", job=ID, job_state=state)
        bus.now += us
        assert bus.order("north", "park", id=ID, **order) == told
    bus.says("north", "crane-status", job=ID, job_state=state)
    bus.now += us
    assert bus.order("north", "park", id=ID, **order) == [one.removesuffix("?") for one in told]


def test_what_is_no_job_may_be_repeated() -> None:
    bus = claimed()
    bus.order("north", "resume", id=ID, holds=0)
    bus.report("north", "resume", ID, "done")
    bus.now += SECOND
    assert bus.order("north", "resume", id=ID, holds=0) == []


# ---------------------------------------------------------------- deadlines
@pytest.mark.parametrize(("lead", "told"), [(LEAD, []), (LEAD + 200, []), (LEAD + 201, ["SUP-18"])])
@pytest.mark.parametrize("since_ms", [0, 700])
def test_a_deadline_lies_so_far_ahead_at_most(lead: int, told: list[str], since_ms: int) -> None:
    """SUP-18: at most so long after the uptime of the node's newest message, which is a while ago."""
    bus = claimed()
    bus.says("north", "fault")
    bus.now += 1000 * since_ms
    assert bus.order("north", "park", id=ID, deadline=bus.uptime + lead) == told
    if told:
        assert f"{lead} ms ahead" in bus.found[0].what


def test_by_the_uptime_of_another_boot_or_of_none_no_deadline_is_judged() -> None:
    far = {"deadline": 4 * LEAD}
    assert Bus().order("north", "park", id=ID, **far) == []
    bus = claimed()
    assert bus.order("north", "park", id=ID, boot=BOOT + 1, **far) == []
    assert bus.order("north", "park", id=ID, deadline=LEAD * 4) == ["SUP-18"]


# ---------------------------------------------------------------- the bench
def test_a_tester_orders_what_no_supervisor_would() -> None:
    """SUP-15, where a supervisor has spoken."""
    bus = Bus()
    bus.says("north", "node-status", bench=True)
    assert job(bus, id_=3) == bus.order("north", "claim", id=3) == []
    bus.says("yard", "yard-map", place="stack-n", slots=[])
    assert job(bus, id_=4) == ["SUP-15"]
    assert bus.order("north", "resume", id=5, holds=1) == []


# ---------------------------------------------------------------- trains and decks beside cranes
def transfer(bus: Bus, to: str = "stack-s", start: str = "siding", id_: int = ID, **more: Any) -> list[str]:
    ends = {"from": start, "from_slot": 0, "to": to, "to_slot": 0, "box": "C-1"}
    return job(bus, "transfer", "south", id_, **ends, **more)


BY_TRAIN: dict[str, Any] = {"berth_boot": BOOT, "arrival": 4, "reading": 128}
BY_STOP: dict[str, Any] = {"shuttle_boot": BOOT, "stop": 4}


@pytest.mark.parametrize(("act", "node"), [("admit", "siding"), ("depart", "siding"), ("run", "ferry")])
@pytest.mark.parametrize("state", ["accepted", "running", "done"])
@pytest.mark.parametrize(
    ("start", "to"),
    [("siding", "stack-s"), ("stack-s", "siding"), ("ferry", "stack-s"), ("stack-s", "stack-s")],
)
def test_nothing_moves_where_a_crane_has_a_job(act: str, node: str, state: str, start: str, to: str) -> None:
    """SUP-12."""
    bus = claimed("south")
    more: dict[str, Any] = BY_TRAIN if "siding" in (start, to) else BY_STOP if start == "ferry" else {}
    transfer(bus, to, start, **more)
    number = bus.number
    bus.report("south", "transfer", ID, state)
    wrong = state != "done" and node in (start, to)
    told = job(bus, act, node, 1, **({"to": "quay-n"} if act == "run" else {}))
    assert told == (["SUP-12"] if wrong else [])
    assert [one.since for one in bus.found] == [number] * wrong


def test_without_a_site_a_berth_is_known_by_the_boot_that_was_named() -> None:
    for boot, told in ((BOOT, ["SUP-12"]), (BOOT + 1, [])):
        bus = claimed("south", site=False)
        bus.says("track", "train-arrival")
        transfer(bus, start="somewhere", **BY_TRAIN | {"berth_boot": boot})
        bus.report("south", "transfer", ID, "running")
        assert job(bus, "admit", "track", 1) == told
    bus = claimed("south", site=False)
    transfer(bus, start="track")
    bus.report("south", "transfer", ID, "running")
    assert job(bus, "admit", "track", 1) == ["SUP-12"]
    assert job(bus, "admit", "another", 1) == []


@pytest.mark.parametrize(
    ("named", "said"),
    [({"arrival": 5}, "is at arrival 4 reading 128"), ({"reading": 129}, "is at arrival 4 reading 128"),
     ({"berth_boot": 8}, "but it is boot 7 now"), ({}, "whose train is 'armed'"), ({}, "")],
)  # fmt: skip
@pytest.mark.parametrize("site", [True, False])
def test_a_transfer_names_the_train_that_stands_there(named: dict[str, int], said: str, site: bool) -> None:
    """SUP-13; the berth's next word may show that this listener lost one."""
    for lost, message, clears in (
        (False, {}, False),
        (True, {}, False),
        (True, {"fits": True}, True),
        (False, {"fits": True}, False),
    ):
        bus = claimed("south", site=site)
        bus.says("siding", "train-arrival", state="armed" if "armed" in said else "at-rest")
        assert transfer(bus, **BY_TRAIN | named) == []
        then: dict[str, Any] = {"state": "at-rest", **BY_TRAIN, **named} if message else {"state": "armed"}
        word = {
            "state": then["state"],
            "arrival": then.get("arrival", 4),
            "reading": then.get("reading", 128),
        }
        told = bus.says(
            "siding", "train-arrival", lost=lost, boot=then.get("berth_boot", BOOT), **dict[str, Any](word)
        )
        assert ("SUP-13" in told) is not (clears or not said)
        if "SUP-13" in told:
            assert said in bus.found[-1].what
        assert "SUP-13" not in bus.passes(2 * DOUBT_US), "once"


@pytest.mark.parametrize(("named", "wrong"), [({}, False), ({"stop": 5}, True), ({"shuttle_boot": 8}, True)])
@pytest.mark.parametrize("site", [True, False])
def test_a_transfer_names_the_stop_at_which_the_shuttle_stands(
    named: dict[str, int], wrong: bool, site: bool
) -> None:
    """SUP-13."""
    for state, moving in (("at-place", False), ("moving", True)):
        bus = claimed("south", site=site)
        bus.says("ferry", "shuttle-status", state=state)
        assert transfer(bus, start="ferry", **BY_STOP | named) == []
        assert bus.passes(DOUBT_US) == []
        assert bus.passes(1) == (["SUP-13"] if wrong or moving else [])
    bus = claimed("south", site=site)
    bus.says("ferry", "shuttle-status", state="moving")
    transfer(bus, start="ferry", **BY_STOP | named)
    bus.says("siding", "train-arrival")
    word: dict[str, Any] = {"stop": named.get("stop", 4), "boot": named.get("shuttle_boot", BOOT)}
    assert bus.says("ferry", "shuttle-status", lost=True, **word) == []
    bus.orders.forget()
    assert bus.passes(2 * DOUBT_US) == []


def test_of_several_machines_the_one_at_the_place_is_meant() -> None:
    bus = claimed("south")
    bus.says("siding", "train-arrival")
    bus.says("branch", "train-arrival", state="armed", boot=9)
    assert transfer(bus, **BY_TRAIN) == bus.passes(2 * DOUBT_US) == []
    bus = claimed("south", site=False)
    bus.says("siding", "train-arrival", arrival=9)
    bus.says("branch", "train-arrival", boot=9)
    assert transfer(bus, start="somewhere", **BY_TRAIN) == []
    assert bus.passes(2 * DOUBT_US) == ["SUP-13"]
    assert bus.found[0].since == bus.number - 2
    bus = claimed("south", site=False)
    bus.says("siding", "train-arrival", arrival=9)
    bus.says("branch", "train-arrival", arrival=9)
    assert transfer(bus, start="somewhere", **BY_TRAIN) == bus.passes(2 * DOUBT_US) == [], (
        "either may be meant"
    )
    bus = claimed("south", site=False)
    assert transfer(bus, start="somewhere", **BY_TRAIN) == bus.passes(2 * DOUBT_US) == [], "none was heard"
    bus.says("siding", "train-arrival", state="lost")
    assert transfer(bus, start="siding", id_=ID + 1) == []
    assert "SUP-13" not in bus.passes(2 * DOUBT_US), "none is named"
