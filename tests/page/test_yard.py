"""What a page knows of a bus: messages in, plain values out."""

from __future__ import annotations

import json
from typing import Any

from conformance.commands.demo.exchanges import recorded_cycle
from conformance.page.model.advice import OF_FAULTS
from conformance.page.model.jobs import ENDED_KEPT, OPEN_KEPT
from conformance.page.model.log import FAULTS_KEPT, LINES_KEPT
from conformance.page.model.yard import Yard
from protocol.recording import EventKind, RecordedEvent
from protocol.site_file import scenario
from protocol.specification import specification
from tests.page.said import BERTH, CRANE, EMPTY_BERTH, SHUTTLE, STATUS, Bus


# ---------------------------------------------------------------- a whole cycle
def test_a_whole_cycle_is_followed_to_its_end() -> None:
    """Messages of reference nodes and supervisor, on virtual time: what the run says of itself is what is shown."""
    site = scenario()
    yard = Yard(site)
    yard.take(RecordedEvent(0, EventKind.CONNECTED, ""))
    items = [item._replace(retain=False) for item in recorded_cycle(site)]
    boxes = set()
    for item in items:
        yard.take(item)
        model = yard.model(item.at_us)
        boxes.add(
            tuple(
                sorted(
                    key for key, value in model.items() if key.startswith("spot") and value["box"] == "C-101"
                )
            )
        )
    model = yard.model(items[-1].at_us)
    jobs = {
        value["words"].split(" #")[0]: value["state"]
        for key, value in model.items()
        if key.startswith("job/")
    }
    assert jobs["transfer C-101: stack-n/1 to ferry/0"] == "done"
    assert jobs["transfer C-101: ferry/0 to siding/0"] == "done"
    assert set(jobs.values()) == {"done"}
    assert {("spot/0/stack-n/1",), ("spot/0/ferry/0", "spot/1/ferry/0"), ("spot/1/siding/0",)} <= boxes
    assert model["node/north"]["boots"] == 1
    assert model["node/north"]["lost"] == model["node/north"]["invalid"] == 0
    assert not [key for key in model if key.startswith("wrong/")]
    assert json.loads(json.dumps(model)) == model


# ---------------------------------------------------------------- the plan
def test_before_anything_is_heard_nothing_is_known() -> None:
    model = Bus().model()
    assert model["crane/north"]["at"] is None
    assert {slot["is"] for slot in model["place/stack-n"]["slots"]} == {"unheard"}
    assert not model["carrier/1/siding"]["here"]
    assert {model[f"node/{name}"]["state"] for name in scenario().nodes} == {"not heard"}


def test_a_crane_is_drawn_where_it_says() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **{**CRANE, "axes": [[100, 480, True], [40, 180, True], [7, 0, True]]})
    crane = bus.model()["crane/north"]
    assert (crane["at"], crane["to"], crane["sure"]) == ([100, 40, 7], [480, 180, 0], True)


def test_a_crane_that_is_not_homed_is_not_sure() -> None:
    bus = Bus()
    axes = [[0, 0, True], [0, 0, False], [0, 0, True]]
    bus.say("north", "crane-status", **{**CRANE, "mode": "unhomed", "axes": axes})
    assert not bus.model()["crane/north"]["sure"]
    assert "axes not homed" in bus.model()["crane/north"]["says"]
    assert bus.kinds() == {"north/unhomed"}


def test_a_crane_with_other_axes_than_the_site_says_is_not_drawn() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **{**CRANE, "axes": [[0, 0, True]]})
    assert bus.model()["crane/north"]["at"] is None


def test_a_crane_that_falls_silent_is_not_sure() -> None:
    bus = Bus()
    limit_s = specification().most_ms("state_silence") / 1000
    bus.say("north", "crane-status", 1.0, **CRANE)
    assert bus.model(0.9 + limit_s)["crane/north"]["sure"]
    assert not bus.model(1.1 + limit_s)["crane/north"]["sure"]
    assert bus.model(1.1 + limit_s)["node/north"]["state"] == "silent"
    assert bus.kinds(1.1 + limit_s) == {"north/silent"}


def test_what_the_broker_kept_is_only_a_hint() -> None:
    bus = Bus()
    bus.say("north", "crane-status", kept=True, **CRANE)
    bus.say("yard", "yard-map/ferry", kept=True, slots=["B1"], state="running", rests_on=[])
    model = bus.model()
    assert not model["crane/north"]["sure"]
    assert model["place/ferry"]["old"]
    assert model["node/north"]["state"] == "not heard"
    assert model["node/north"]["heard"] is None


def test_a_kept_message_does_not_outweigh_a_live_one() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **CRANE)
    bus.say("north", "crane-status", kept=True, **{**CRANE, "mode": "faulted"})
    assert bus.model()["crane/north"]["says"].startswith("ready")


def test_all_grows_old_when_the_bus_is_lost() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **CRANE)
    bus.say("yard", "yard-map/ferry", slots=["B1"], state="running", rests_on=[])
    bus.link(EventKind.DISCONNECTED, 1.2)
    model = bus.model(1.3)
    assert not model["bus"]["up"]
    assert not model["crane/north"]["sure"]
    assert model["place/ferry"]["slots"] == [{"is": "box", "box": "B1", "old": True}]


def test_a_train_at_rest_is_here_and_shifted_by_its_reading() -> None:
    bus = Bus()
    bus.say("siding", "train-arrival", **BERTH)
    model = bus.model()
    assert model["carrier/1/siding"]["here"]
    assert model["carrier/1/siding"]["says"] == "train T-7 at rest, reading 178"
    # The site file measured 322 mm at reading 178; slot 1 stands 140 mm further.
    assert [model[f"spot/1/siding/{slot}"]["at"][0] for slot in range(3)] == [322, 462, 602]


def test_a_train_that_is_not_at_rest_is_not_here() -> None:
    for state in ("admitting", "armed", "leaving", "empty", "lost"):
        bus = Bus()
        bus.say("siding", "train-arrival", **{**EMPTY_BERTH, "state": state})
        assert not bus.model()["carrier/1/siding"]["here"], state


def test_a_train_outside_the_table_is_told_and_not_drawn() -> None:
    bus = Bus()
    bus.say("siding", "train-arrival", **{**BERTH, "reading": 900})
    assert not bus.model()["carrier/1/siding"]["here"]
    assert bus.model()["carrier/1/siding"]["says"] == "train T-7 at rest, reading 900"


def test_a_deck_is_here_only_at_the_stop_of_the_crane() -> None:
    bus = Bus()
    bus.say("ferry", "shuttle-status", **SHUTTLE)
    assert (bus.model()["carrier/0/ferry"]["here"], bus.model()["carrier/1/ferry"]["here"]) == (True, False)
    bus.say("ferry", "shuttle-status", **{**SHUTTLE, "place": "quay-s", "stop": 2})
    assert (bus.model()["carrier/0/ferry"]["here"], bus.model()["carrier/1/ferry"]["here"]) == (False, True)


def test_unsure_and_empty_slots_are_told_apart() -> None:
    bus = Bus()
    bus.say("yard", "yard-map/stack-n", slots=["B1", "?", "", ""], state="blocked", why="look", rests_on=[])
    model = bus.model()
    assert [slot["is"] for slot in model["place/stack-n"]["slots"]] == ["box", "unsure", "empty", "empty"]
    assert bus.kinds() == {"stack-n/blocked"}


def test_the_box_in_a_spreader_is_that_of_the_transfer() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **{**CRANE, "load": "box"})
    assert bus.model()["crane/north"]["box"] == ""
    where: dict[str, Any] = {"from": "stack-n", "from_slot": 0, "to": "ferry", "to_slot": 0}
    bus.order("north", "transfer", id=7, deadline=9000, box="B1", stop=1, shuttle_boot=1, **where)
    assert bus.model()["crane/north"]["box"] == "B1"


# ---------------------------------------------------------------- jobs
def job(bus: Bus) -> dict[str, object]:
    return next(value for key, value in bus.model().items() if key.startswith("job/"))


def test_a_job_from_order_to_report() -> None:
    bus = Bus()
    bus.order("north", "home", id=5, deadline=9000)
    assert (job(bus)["state"], job(bus)["open"]) == ("ordered", True)
    bus.say("north", "job-report", id=5, order_boot=1, act="home", state="running", step="homing")
    assert (job(bus)["state"], job(bus)["step"]) == ("running", "homing")
    bus.say("north", "job-report", 2.0, id=5, order_boot=1, act="home", state="failed", reason="fault")
    assert (job(bus)["state"], job(bus)["reason"], job(bus)["ended"]) == ("failed", "fault", 2000)


def test_a_lost_report_is_fixed_by_the_state() -> None:
    bus = Bus()
    bus.order("north", "home", id=5, deadline=9000)
    bus.say("north", "crane-status", 2.0, job=5, job_state="done", **CRANE)
    assert job(bus)["state"] == "done"


def test_an_order_said_twice_is_one_job() -> None:
    bus = Bus()
    for _ in range(2):
        bus.order("north", "home", id=5, deadline=9000)
    bus.say("north", "job-report", id=5, order_boot=1, act="home", state="done")
    bus.order("north", "home", id=5, deadline=9000)
    assert [key for key in bus.model() if key.startswith("job/")] == ["job/1"]


def test_a_new_boot_makes_an_open_job_unknown() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **CRANE)
    bus.order("north", "home", id=5, deadline=9000)
    bus.boots["north"] = 2
    bus.say("north", "crane-status", **{**CRANE, "mode": "unhomed"})
    assert job(bus)["state"] == "unknown"


def test_a_late_message_of_the_old_boot_undoes_nothing() -> None:
    """Another topic is another way: what was said before the reset may come behind what was said after it."""
    bus = Bus()
    bus.say("north", "crane-status", **CRANE)
    bus.boots["north"] = 2
    bus.say("north", "node-status", roles=["crane"], **STATUS)
    bus.say("north", "crane-status", **{**CRANE, "mode": "unhomed"})
    after = bus.model()
    bus.say("north", "crane-status", boot=1, **CRANE)
    bus.raw("north/node-status", b'{"boot":1,"link":1,"state":"off"}')
    for entry in ("crane/north", "node/north"):
        told = {
            name: value for name, value in bus.model()[entry].items() if name not in ("messages", "broken")
        }
        assert told.items() <= after[entry].items(), entry


def test_the_will_of_an_old_connection_says_nothing_of_the_new() -> None:
    """LNK-09."""
    bus = Bus()
    bus.say("north", "node-status", roles=["crane"], **{**STATUS, "link": 2})
    bus.raw("north/node-status", b'{"boot":1,"link":1,"state":"off"}')
    assert bus.model()["node/north"]["state"] == "on"
    bus.raw("north/node-status", b'{"boot":1,"link":2,"state":"off"}')
    assert bus.model()["node/north"]["state"] == "off"


def test_a_node_that_counts_its_boots_wrongly_is_shown_all_the_same() -> None:
    """MSG-05: its boot is 1 again, and nothing of 2 is heard any more."""
    bus = Bus()
    bus.say("north", "crane-status", **CRANE)
    bus.boots["north"] = 2
    bus.say("north", "crane-status", at_s=2, **{**CRANE, "mode": "unhomed"})
    bus.say("north", "crane-status", at_s=9, boot=1, **{**CRANE, "mode": "faulted"})
    assert bus.model(9.5)["node/north"]["boot"] == 1


def test_jobs_are_bounded() -> None:
    bus = Bus()
    for number in range(1, 300):
        bus.order("north", "home", id=number, deadline=9000)
        bus.order("south", "home", id=number, deadline=9000)
        bus.say("south", "job-report", id=number, order_boot=1, act="home", state="done")
    shown = [value for key, value in bus.model().items() if key.startswith("job/")]
    assert len(shown) <= OPEN_KEPT + ENDED_KEPT
    assert sum(one["open"] for one in shown) >= OPEN_KEPT - 1
    assert sum(not one["open"] for one in shown) == ENDED_KEPT


# ---------------------------------------------------------------- faults and holds
def test_faults_stand_with_their_level_and_part() -> None:
    bus = Bus()
    bus.say(
        "north",
        "fault",
        active=["axis-stuck", "bad-message"],
        changed="axis-stuck",
        level="halt",
        part="x",
        faults=1,
    )
    model = bus.model()
    assert model["trouble/north/axis-stuck"] == {
        "node": "north", "kind": "axis-stuck", "rank": 0,
        "says": "fault, halt: an axis did not arrive in time, at x", "do": OF_FAULTS["axis-stuck"],
    }  # fmt: skip
    assert model["trouble/north/bad-message"]["rank"] > 0
    bus.say("north", "fault", active=[], changed="axis-stuck", level="halt", faults=1)
    assert bus.kinds() == set()


def test_a_hold_stands() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **{**CRANE, "held": True, "holds": 1})
    assert bus.kinds() == {"north/held"}


def test_a_bench_node_and_another_site_file_are_told() -> None:
    bus = Bus()
    bus.say("north", "node-status", roles=["crane"], **{**STATUS, "bench": True})
    assert bus.kinds() == {"north/bench", "north/digest"}
    bus.say("north", "node-status", roles=["crane"], **{**STATUS, "digest": bus.site.nodes["north"].digest})
    assert bus.kinds() == set()


# ---------------------------------------------------------------- health
def test_lost_messages_are_counted_across_the_wrap() -> None:
    bus = Bus()
    for seq in (65530, 65531, 65535, 2, 2, 1, 3):
        bus.say("north", "crane-status", seq=seq, **CRANE)
    # 65532 to 65534, then 0 and 1; the repeat of 2 and the late 1 are no losses.
    assert bus.model()["node/north"]["lost"] == 5


def test_a_new_boot_is_no_loss() -> None:
    bus = Bus()
    bus.say("north", "crane-status", seq=9, **CRANE)
    bus.boots["north"] = 2
    bus.say("north", "crane-status", seq=0, **{**CRANE, "mode": "unhomed"})
    health = bus.model()["node/north"]
    assert (health["lost"], health["boot"], health["boots"]) == (0, 2, 2)


def test_what_was_missed_by_the_listener_is_no_loss_of_the_node() -> None:
    bus = Bus()
    bus.say("north", "crane-status", seq=9, **CRANE)
    bus.link(EventKind.DISCONNECTED, 1.2)
    bus.link(EventKind.CONNECTED, 1.3)
    bus.say("north", "crane-status", 1.4, seq=90, **CRANE)
    assert bus.model()["node/north"]["lost"] == 0


def test_off_is_told_until_the_node_speaks_again() -> None:
    bus = Bus()
    bus.say("north", "crane-status", **CRANE)
    bus.raw("north/node-status", b'{"boot":1,"link":1,"state":"off"}')
    assert bus.model()["node/north"]["state"] == "off"
    bus.say("north", "node-status", roles=["crane"], **STATUS)
    assert bus.model()["node/north"]["state"] == "on"


def test_strangers_are_shown_and_bounded() -> None:
    bus = Bus()
    for number in range(100):
        bus.say(f"odd-{number}", "crane-status", **CRANE)
    names = [key for key in bus.model() if key.startswith("node/")]
    assert len(names) == len(bus.site.nodes) + 20
    assert "odd-0/stranger" in bus.kinds()


# ---------------------------------------------------------------- messages and verdicts
def test_a_message_that_is_not_valid_is_told_with_its_requirement() -> None:
    bus = Bus()
    bus.raw("north/crane-status", b'{"boot":1}')
    model = bus.model()
    line, wrong = model["line/1"], model["wrong/1"]
    assert line["broken"]
    assert wrong["requirement"] in specification().requirements
    assert wrong["line"] == 1
    assert model["node/north"]["invalid"] == 1


def test_rules_over_several_messages_are_told() -> None:
    bus = Bus()
    bus.say("north", "crane-status", 1.0, **CRANE)
    bus.say("north", "crane-status", 1.1, **{**CRANE, "mode": "manual"})
    bus.say("north", "crane-status", 1.2, **{**CRANE, "mode": "working"})
    model = bus.model()
    assert [value["requirement"] for key, value in model.items() if key.startswith("wrong/")] == ["CRN-02"]
    assert model["line/3"]["broken"] == ["CRN-02"]
    assert model["node/north"]["broken"] == 1


def test_messages_of_nobody_are_lines_too() -> None:
    bus = Bus()
    bus.yard.take(
        next(iter(recorded_cycle(scenario())))._replace(topic="yw1/harlow-basin/x\u202ey", payload=b"\xff")
    )
    line = bus.model()["line/1"]
    assert line["node"] == ""
    assert line["broken"]
    assert line["words"].isascii()


def test_lines_and_faults_are_bounded() -> None:
    bus = Bus()
    for _ in range(500):
        bus.raw("north/crane-status", b"{}")
    model = bus.model()
    assert len([key for key in model if key.startswith("line/")]) == LINES_KEPT
    assert len([key for key in model if key.startswith("wrong/")]) == FAULTS_KEPT
    assert model["bus"]["messages"] == 500
