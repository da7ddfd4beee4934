"""The usual exchanges of the pages, from one recorded cycle on virtual time: each is drawn to its end."""

from __future__ import annotations

from collections import Counter

from conformance.commands.demo.exchanges import AS_OFTEN, drawn, exchanges, recorded_cycle
from conformance.recordings.show.story import tell
from protocol.recording import Header
from protocol.site_file import scenario


def test_every_job_is_drawn_from_its_order_to_its_end() -> None:
    words = {one.id: [arrow.words for arrow in one.drawing.arrows] for one in exchanges(scenario())}
    ends = {id_: [one.split()[0] for one in said if one.endswith(" done")] for id_, said in words.items()}
    assert ends["train"] == ["admit", "depart"]
    assert ends["transfer"] == ["transfer", "run", "transfer"]
    assert {"home", "reset-fault"} == set(ends["homing"])
    assert words["train"][-1].endswith(" done")
    assert words["transfer"][-1].endswith(" done")
    assert all(len(said) < 80 for said in words.values()), "a picture for a page"


def test_what_was_said_twice_is_not_drawn_again_and_nothing_else_is_left_out() -> None:
    site = scenario()
    lines = [
        line
        for line in tell(Header(site.name, "", "", ""), recorded_cycle(site)).exchange
        if line.body.get("act")
    ]
    kept = drawn(lines)
    times, drawn_times = (
        Counter((line.node, line.speaker, line.words) for line in some) for some in (lines, kept)
    )
    assert max(times.values()) > AS_OFTEN
    assert drawn_times == {said: min(number, AS_OFTEN) for said, number in times.items()}
    assert [line.number for line in kept] == sorted(line.number for line in kept)
