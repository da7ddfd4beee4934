"""One order by hand: what the site, the state of the yard and the rules of the protocol say of it before it is sent."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from protocol.position_table import OutsideTable, PositionTable
from protocol.site import CraneSite, PlaceKind
from protocol.specification import specification
from reference_node.supervisor.observe.boxes import EMPTY, UNSURE, Spot, in_words
from reference_node.supervisor.person.request import Prepared, Ready
from reference_node.supervisor.plan.goals import Admit, Depart, Run, Single
from reference_node.supervisor.plan.next_step import Step, Wait, carry, next_step, train_fields
from reference_node.supervisor.send.order_text import order_text
from reference_node.supervisor.supervisor import Supervisor


class OrderCheck:
    """Checks orders against one supervisor as it stands now."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor

    def order(self, node: str, act: str, fields: Mapping[str, Any]) -> Prepared:
        """`act` at `node`: ready to be sent, or why it is refused. Not for reset-fault, which answers a question."""
        why = self.unknown(node, act)
        if why:
            return why
        if act == "cancel":
            return self._cancel(node)
        if act not in specification().jobs:
            return f"{act} is the supervisor's own affair"
        why = self._unlike_the_site(node, act, fields)
        if why:
            return why
        found = self._transfer(node, fields) if act == "transfer" else self._step(node, act, fields)
        return self._ready(found) if isinstance(found, Step) else found

    def unknown(self, node: str, act: str) -> str:
        """Why there is no such node or act; '' where there is."""
        supervisor = self._supervisor
        if node not in supervisor.sessions:
            return f"there is no node {node!r}; nodes are: {', '.join(supervisor.sessions)}"
        roles = supervisor.site.nodes[node].roles
        if not any(act in specification().acts_of(role) for role in roles):
            return f"{node} is a {' and '.join(roles)} and does not know {act!r}"
        return ""

    def _ready(self, step: Step) -> Prepared:
        supervisor = self._supervisor
        why = supervisor.why_not(step)
        if why:
            return why
        session = supervisor.sessions[step.node]
        body = session.draft(step.act, **step.fields)
        lead_s = supervisor.pace.lead_ms / 1000
        will = f"{step.node}: {order_text(body)}; as order {body['id']}, to begin within {lead_s:g} s or not at all"
        return Ready(will, lambda: supervisor.start(step) or None)

    # ------------------------------------------------------------ site and state
    def _unlike_the_site(self, node: str, act: str, fields: Mapping[str, Any]) -> str:
        site = self._supervisor.site.nodes[node]
        if act == "jog" and site.crane is not None:
            return _outside(node, site.crane, fields.get("target"))
        if act == "run" and site.shuttle is not None and fields.get("to") not in site.shuttle.stops:
            return f"{node} serves {', '.join(site.shuttle.stops)}, not {fields.get('to')!r}"
        return ""

    def _step(self, node: str, act: str, fields: Mapping[str, Any]) -> Step | str:
        """The job as it was asked for, if what it needs is so: an empty berth, a train at rest, a shuttle at a stop."""
        supervisor = self._supervisor
        step = Step(node, act, fields)
        goals: dict[str, Single] = {
            "admit": Admit(node), "depart": Depart(node), "run": Run(node, str(fields.get("to"))),
        }  # fmt: skip
        found = next_step(goals[act], supervisor.look()) if act in goals else step
        if isinstance(found, Wait):
            return supervisor.new_rules(supervisor.look()).obstacle(node, act) or found.why
        return step

    def _transfer(self, crane: str, fields: Mapping[str, Any]) -> Step | str:
        supervisor, inventory = self._supervisor, self._supervisor.inventory
        target = Spot(str(fields.get("to")), int(fields.get("to_slot", 0)))
        source = Spot(str(fields["from"]), int(fields.get("from_slot", 0))) if "from" in fields else None
        for spot in (target, source):
            why = self._no_spot(crane, spot) if spot is not None else ""
            if why:
                return why
        if source == target:
            return f"slot {target.slot} of {target.place} is both ends of it"
        held = inventory.at(source) if source is not None else inventory.spreaders[crane]
        box = str(fields.get("box") or held)
        if box in (EMPTY, UNSURE) or held != box:
            where = f"{source.place} slot {source.slot}" if source is not None else f"the spreader of {crane}"
            return f"{where} holds {in_words(held)}" + (f", not {box}" if box not in (EMPTY, UNSURE) else "")
        if source is not None and not inventory.can_pick(source):
            return f"box {box} has another on top, or nobody knows"
        step = carry(box, crane, source, target, supervisor.look())
        if isinstance(step, Wait):
            return step.why
        if step.act == "run":
            return f"{step.node} has to run to {step.fields['to']} first"
        return self._beyond(crane, source, target) or step

    def _no_spot(self, crane: str, spot: Spot) -> str:
        site = self._supervisor.site
        found = site.nodes[crane].crane
        if found is None or spot.place not in found.places:
            reached = ", ".join(found.places) if found is not None else "nothing"
            return f"{crane} does not reach {spot.place!r}; it reaches {reached}"
        if not 0 <= spot.slot < site.places[spot.place].slots:
            return f"{spot.place} has slots 0 to {site.places[spot.place].slots - 1}, not {spot.slot}"
        return ""

    def _beyond(self, crane: str, *spots: Spot | None) -> str:
        """Where the train rests now, is a slot beyond the crane's table or its axis?"""
        site = self._supervisor.site
        found = site.nodes[crane].crane
        for spot in spots:
            if spot is None or found is None or site.places[spot.place].kind is not PlaceKind.TRACK:
                continue
            place = found.places[spot.place]
            reading = train_fields(self._supervisor.look(), site.places[spot.place].node).get("reading", 0)
            try:
                at = PositionTable.of(place.table).position(reading) + place.slots[spot.slot][0]
            except OutsideTable as error:
                return str(error)
            axis = found.axes[0]
            if not axis.least <= at <= axis.most:
                return (
                    f"with this train slot {spot.slot} of {spot.place} is at {axis.name} {at} {axis.unit}; {crane} "
                    f"goes from {axis.least} to {axis.most}"
                )
        return ""

    def _cancel(self, node: str) -> Prepared:
        supervisor = self._supervisor
        job = supervisor.sessions[node].job
        if job is None:
            return f"{node} has no job open"
        if not supervisor.sessions[node].owned:
            return f"{node} has to answer first"

        def cancel() -> None:
            supervisor.cancel(node)

        return Ready(f"{node}: ends {order_text(job.body)}, only if nothing was picked or moved yet", cancel)


def _outside(node: str, crane: CraneSite, target: Any) -> str:
    """Why no crane of this site can drive there; '' where it can."""
    names = ", ".join(axis.name for axis in crane.axes)
    if not isinstance(target, list) or len(target) != len(crane.axes):
        return f"{node} has {len(crane.axes)} axes: give one figure each for {names}"
    for axis, to in zip(crane.axes, target, strict=True):
        if not isinstance(to, int) or isinstance(to, bool) or not axis.least <= to <= axis.most:
            return f"{axis.name} of {node} goes from {axis.least} to {axis.most} {axis.unit}, not to {to}"
    return ""
