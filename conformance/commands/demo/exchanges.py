"""The usual exchanges, drawn from a recording: the yard of the demo, run on virtual time while the site is made."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

from protocol.site import Site
from protocol.trouble import Trouble

if TYPE_CHECKING:
    from conformance.publish.site.site import Exchange
    from conformance.recordings.show.story import MessageSummary
    from protocol.recording import RecordedMessage

SEED = 7
WITHIN_MS = 300_000
AFTER_MS = 4_000
AS_OFTEN = 2
ONCE = "What is said a third time is not drawn."


def exchanges(site: Site) -> list[Exchange]:
    """One cycle of `site` (harlow-basin), told in lanes. Raises Trouble if it does not come to its end."""
    from conformance.publish.site.site import Exchange
    from conformance.recordings.show.drawing import lanes
    from conformance.recordings.show.story import tell
    from protocol.recording import Header

    story = tell(Header(site.name, "", "virtual time", ""), recorded_cycle(site))
    chapters: Sequence[tuple[str, str, str, Callable[[MessageSummary], bool]]] = (
        (
            "claiming",
            "A supervisor starts: ask, then claim",
            "A node answers an ask with all its state and a report, a claim with its new mark. Only then is it owned.",
            lambda line: line.body.get("act") in ("ask", "claim"),
        ),
        (
            "homing",
            "Cranes are homed, a person says what stands where",
            "Nothing moves by itself after a start: homing is an order, and what is lost is found by a person.",
            lambda line: line.body.get("act") in ("home", "reset-fault"),
        ),
        (
            "transfer",
            "A box goes from a stack to the train",
            f"Two transfers, a run of the shuttle between. A repeated order is answered again, not done again. {ONCE}",
            lambda line: line.body.get("act") in ("transfer", "run"),
        ),
        (
            "train",
            "A train comes in, and goes",
            (
                "The report of the arming sensor tells that from now on the end sensor counts. The depart is done once "
                f"nothing stands over the sensors any more. {ONCE}"
            ),
            lambda line: line.body.get("act") in ("admit", "depart"),
        ),
    )
    found = [
        Exchange(id_, title, about, lanes(story, drawn(line for line in story.exchange if fits(line))))
        for id_, title, about, fits in chapters
    ]
    for one in found:
        if not one.drawing.arrows:
            raise Trouble(f"the recorded cycle has no exchange '{one.id}'", fix="Report it")
    return found


def drawn(lines: Iterable[MessageSummary]) -> list[MessageSummary]:
    """Every message up to the end, but for what was said twice before: orders are repeated as long as they last."""
    times: Counter[tuple[str, str, str]] = Counter()
    kept = []
    for line in lines:
        said = (line.node, line.speaker, line.words)
        times[said] += 1
        if times[said] <= AS_OFTEN:
            kept.append(line)
    return kept


def recorded_cycle(site: Site) -> list[RecordedMessage]:
    """All that is said in one cycle on virtual time, the same for every call. Raises Trouble."""
    from conformance.commands.demo.yard import CONTENTS, GOALS, _answer
    from protocol.recording import RecordedMessage
    from protocol.wire.virtual import VirtualBus
    from protocol.wire.virtual_time import VirtualTime
    from reference_node.controller.controller import Controller
    from reference_node.machines.node_machines import Machines
    from reference_node.machines.world import World
    from reference_node.supervisor.supervisor import Supervisor

    rng = random.Random(SEED)
    time = VirtualTime()
    bus = VirtualBus(time, rng)
    boxes = {(place, slot): box for place, row in CONTENTS.items() for slot, box in enumerate(row) if box}
    world = World(site, boxes)
    for node in site.nodes.values():
        if not node.is_supervisor:
            machines = Machines(node, world, rng, now_ms=0)
            boot = rng.getrandbits(16)
            bus.attach(Controller(site, node.name, boot=boot, bench=False, machines=machines, rng=rng))
    supervisor = Supervisor(
        site,
        site.with_role("supervisor")[0].name,
        boot=rng.getrandbits(16),
        rng=rng,
        goals=GOALS,
        contents=CONTENTS,
        on_question=lambda question: _answer([], question),
        started_ms=0,
    )
    bus.attach(supervisor)
    if not time.run_until_true(lambda: supervisor.finished, WITHIN_MS):
        raise Trouble("the simulated cycle did not come to its end", fix="Report it")
    time.run_until(time.now_ms + AFTER_MS)
    return [
        RecordedMessage(entry.at_ms * 1000, entry.topic, entry.payload, entry.qos, entry.retain, False)
        for entry in bus.log
    ]
