"""`replay --rename`: other names in topics and wherever a message names somebody, and never two names as one."""

from __future__ import annotations

import pytest

from conformance.recordings.replay.rename import rename_of
from conformance.recordings.replay.schedule import Selection, schedule_of
from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedMessage
from protocol.trouble import Trouble
from tests.recordings.conftest import Yards
from tests.recordings.test_replay import recorded


def messages(yards: Yards) -> list[RecordedMessage]:
    return list(Selection().of(recorded(yards.good(1))))


def test_a_node_in_topics_and_in_what_rests_on_it(yards: Yards) -> None:
    reader = BulkReader()
    found = list(rename_of(["north=spare"]).of(messages(yards)))
    assert len(found) == len(messages(yards))
    assert {topic.split("/")[2] for topic in (one.topic for one in found)} == {
        "spare", "south", "siding", "ferry", "yard",
    }  # fmt: skip
    rests = [
        name
        for one in found
        for name, *_ in (reader.read(one.topic, one.payload).body or {}).get("rests_on", [])
    ]
    assert "spare" in rests
    assert "north" not in rests
    assert all(reader.read(one.topic, one.payload).valid for one in found)
    assert schedule_of(found).nodes == {"spare", "south", "siding", "ferry", "yard"}


def test_there_and_back_again_is_byte_for_byte_the_same(yards: Yards) -> None:
    before = messages(yards)
    rules = ["north=n2", "place:stack-n=pile", "site:harlow-basin=attic"]
    back = ["n2=north", "place:pile=stack-n", "site:attic=harlow-basin"]
    there = list(rename_of(rules).of(before))
    assert {one.topic.split("/")[1] for one in there} == {"attic"}
    assert any(one.topic.endswith("/yard-map/pile") for one in there)
    assert list(rename_of(back).of(there)) == before


def test_two_change_places(yards: Yards) -> None:
    """North becomes south and south north: no name is taken by somebody else."""
    found = list(rename_of(["north=south", "south=north"]).of(messages(yards)))
    assert list(rename_of(["north=south", "south=north"]).of(found)) == messages(yards)
    assert found != messages(yards)


@pytest.mark.parametrize("rule", ["north=south", "place:stack-n=stack-s"])
def test_two_never_become_one(rule: str, yards: Yards) -> None:
    with pytest.raises(Trouble, match="two would become one"):
        list(rename_of([rule]).of(messages(yards)))


def test_what_cannot_be_read_is_not_renamed(yards: Yards) -> None:
    """It may name somebody where nobody can tell: then nothing is said at all."""
    one = messages(yards)[-1]._replace(payload=b"\xff")
    with pytest.raises(Trouble, match="not valid cannot be renamed"):
        list(rename_of(["siding=other"]).of([one]))
    assert list(rename_of([]).of([one])) == [one]


@pytest.mark.parametrize(
    "rule",
    ["north", "north=", "=x", "all=north", "north=all", "boat:a=b", "north=longer-than-8", "north=a/b"],
)
def test_what_is_not_a_rule_is_told(rule: str) -> None:
    with pytest.raises(Trouble):
        rename_of([rule])


def test_a_name_stands_in_one_rule() -> None:
    for rules in (["a=b", "a=c"], ["a=c", "b=c"]):
        with pytest.raises(Trouble, match="in two rules"):
            rename_of(rules)
