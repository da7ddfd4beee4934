"""What one message of a node says against those before it: counts, tables, faults, and what never changes in a boot."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from typing import Any

from conformance.oracle.finding import Oracle
from conformance.oracle.link_log import Message
from conformance.oracle.wording import value_in_words
from protocol.counting import COUNT_MODULUS, next_count
from protocol.site import Site
from protocol.specification import FINAL, OPEN, STATE_OF_ROLE, specification

Body = Mapping[str, Any]
Tell = Callable[[str, str, Oracle, int], None]
CONSTANT = {"bench": "BEN-05", "digest": "MSG-12", "firmware": "MSG-12", "minor": "MSG-12", "reset": "MSG-12",
            "roles": "MSG-12", "reads": "MSG-12", "buffer": "MSG-12"}  # fmt: skip
"""What a node-status says the same all through a boot."""
ROLE_OF = {message: role for role, message in STATE_OF_ROLE.items()}
TABLE_OF = {"crane": "CRN-02", "berth": "BER-02", "shuttle": "SHT-02"}
UNDER_WAY = {"admit": {"admitting", "armed"}, "depart": {"leaving"}, "run": {"moving"}, "home": {"homing"},
             "transfer": {"working"}, "park": {"working"}, "jog": {"working"}}  # fmt: skip
"""What a machine says while a job of that act is at work, by the tables of the roles: not once it is done."""
ORDERS = 64
CARRIES = frozenset({"travel-to-drop", "lower-to-drop"})
"""Steps in which a box that was gripped hangs in the spreader."""
PUTTING_DOWN = frozenset({"lower-to-drop", "release", "clear"})


class MessageRules:
    """Judges message after message of one boot. `tell` takes requirement, what was seen, oracle and trace number."""

    def __init__(self, site: Site, name: str, tell: Tell, counted: Counter[str]) -> None:
        """`counted` takes how often each requirement was judged."""
        self._site, self._node, self._tell, self._counted = site, site.nodes[name], tell, counted
        self.states: dict[str, Body] = {}
        """The newest message of each name in this boot."""
        self._seqs: dict[str, int] = {}
        self._sure: set[str] = set()
        """Topics of which nothing was lost since they were last heard."""
        self._connects = 0
        """Connections since the last node-status."""
        self._number = 0
        self._step = ""
        self._steady = False
        self._orders: dict[int, Body] = {}
        self._carried: int | None = None
        """Id of the newest transfer, while nothing else came since that may change the load."""

    def new_boot(self) -> None:
        """The node speaks in another boot."""
        self.states.clear()
        self._seqs.clear()
        self._sure.clear()
        self._connects = 0
        self._step = ""
        self._orders.clear()
        self._carried = None

    def reconnected(self) -> None:
        """A connection began: what was said since the last one ended is lost."""
        self._sure.clear()
        self._connects += 1

    def lost_some(self) -> None:
        """What was said since the last message may be lost."""
        self._sure.clear()
        self._step, self._carried = "", None

    def came(self, body: Body) -> None:
        """An order came: where a job must end is known from it."""
        if body["act"] in ("stimulus", "reset-fault"):
            self._carried = None
        elif body["act"] == "transfer" and body["id"] not in self._orders:
            self._carried = body["id"]
        if body["act"] in specification().jobs:
            known = self._orders.get(body["id"], body)
            self._orders[body["id"]] = body if known == body else {"act": ""}
            if len(self._orders) > ORDERS:
                del self._orders[next(iter(self._orders))]

    def said(self, message: Message, *, steady: bool = False) -> None:
        """Judge a message that can be read, and keep it; `steady`: no sensor of the tester may still change."""
        body, self._number, self._steady = message.body, message.number, steady
        if "seq" in body:
            self._seq(message.name, body["seq"])
        before = self.states.get(message.name) if message.name in self._sure else None
        if message.name == "node-status":
            self._status(body)
        elif message.name == "fault":
            self._fault(before, body)
        elif message.name in ROLE_OF:
            if body.get("mode") == "manual":
                self._carried = None
            self._machine(ROLE_OF[message.name], before, body)
        elif message.name == "job-report":
            self._report(body)
        self.states[message.name] = body
        self._sure.add(message.name)

    def _check(self, holds: bool, requirement: str, what: str, oracle: Oracle = Oracle.RULE) -> None:
        self._counted[requirement] += 1
        if not holds:
            self._tell(requirement, what, oracle, self._number)

    # ---- counts

    def _seq(self, name: str, seq: int) -> None:
        was = self._seqs.get(name)
        self._seqs[name] = seq
        if was is None:
            return
        ahead = (seq - was) % COUNT_MODULUS
        fits = ahead == 1 if name in self._sure else 0 < ahead < COUNT_MODULUS // 2
        self._check(fits, "MSG-07", f"seq of {name} went from {was} to {seq}")

    def _status(self, body: Body) -> None:
        before = self.states.get("node-status")
        if body.get("bench"):
            self._check("starts" in body, "BEN-03", "it is on the bench, and does not say 'starts'")
        if before is None or body["state"] != "on" or before["state"] != "on":
            return
        for name, requirement in CONSTANT.items():
            same = before[name] == body[name]
            what = (
                ""
                if same
                else f"{name} was {value_in_words(before[name])} and is {value_in_words(body[name])} in the same boot"
            )
            self._check(same, requirement, what)
        grown = (body["link"] - before["link"]) % COUNT_MODULUS
        fits = grown == 0 if not self._connects else 1 <= grown <= self._connects
        what = f"the connection count went from {before['link']} to {body['link']} in {self._connects} connections"
        self._check(fits, "LNK-09", what)
        self._connects = 0

    # ---- faults

    def _fault(self, before: Body | None, body: Body) -> None:
        if before is None:
            return
        was, count = before["faults"], body["faults"]
        spec = specification()
        new = set(body["active"]) - set(before["active"])
        halts = sorted(code for code in new if spec.fault_level(code) == "halt")
        changed = body.get("changed")
        again = changed is not None and spec.fault_level(changed) == "halt"
        risen = (count - was) % COUNT_MODULUS
        if halts:
            self._check(risen > 0, "FLT-02", f"{', '.join(halts)} halts, but the fault count stayed {was}")
        elif new and not again:
            what = f"{', '.join(sorted(new))} is a warning, but the fault count went from {was} to {count}"
            self._check(not risen, "FLT-03", what)
        elif not again:
            self._check(not risen, "FLT-01", f"the fault count went from {was} to {count}, and no fault came")
        if changed is not None and risen and again:
            what = f"the count of faults rose to {count} for {changed}, and no active fault says so"
            self._check(changed in body["active"], "FLT-01", what, Oracle.FAULT)
        if changed is not None:
            level = spec.fault_level(changed)
            self._check(
                body.get("level") == level, "FLT-01", f"{changed} is said to be {body.get('level')!r}"
            )

    # ---- machines

    def _machine(self, role: str, before: Body | None, body: Body) -> None:
        self._stands(role, before or {}, body)
        if before is None:
            return
        field = "mode" if role == "crane" else "state"
        was, is_ = before[field], body[field]
        table = specification().tables[role]
        what = f"went from {was!r} to {is_!r}, which no row of the table does"
        self._check(table.allows(was, is_), TABLE_OF[role], what)
        if body.get("job_state") == "done" != before.get("job_state") and body["job"] == before.get("job"):
            self._ended(role, body)
        if role == "shuttle":
            self._stops(before, body)
        if role == "berth":
            arrived = body["arrival"] in (before["arrival"], next_count(before["arrival"]))
            what = f"the arrival count went from {before['arrival']} to {body['arrival']}"
            self._check(arrived, "BER-06", what)
        if role == "crane":
            self._crane(before, body)

    def _stops(self, before: Body, body: Body) -> None:
        was, is_ = before["stop"], body["stop"]
        stands = body["state"] == "at-place"
        came = body["state"] == "at-place" and before["state"] != "at-place"
        what = f"the stop count went from {was} to {is_} as the state went {before['state']!r} to {body['state']!r}"
        may_be = (next_count(was),) if came else (was, next_count(was)) if stands else (was,)
        self._check(is_ in may_be, "SHT-05", what)

    def _crane(self, before: Body, body: Body) -> None:
        for number, (was, is_) in enumerate(zip(before["axes"], body["axes"], strict=False), 1):
            if is_[2] and not was[2]:
                what = f"axis {number} became homed while the crane was {before['mode']!r}"
                self._check(before["mode"] in ("homing", "working"), "CRN-11", what)
        if before["mode"] == "working" and body["mode"] == "ready" and body.get("job_state") == "done":
            apart = [axis for axis in body["axes"] if axis[0] != axis[1]]
            what = f"is ready after its job at {apart[0][0]}, and was sent to {apart[0][1]}" if apart else ""
            self._check(not apart, "CRN-11", what)
        opens = before["spreader"] == "closed" and body["spreader"] in ("open", "moving")
        if opens and before["load"] == "box":
            held = body.get("job_state") in OPEN and (not self._step or self._step in PUTTING_DOWN)
            what = f"its spreader opens with a box in it, at step {self._step or 'none'!r}"
            self._check(held, "CRN-12", what, Oracle.MOTION)

    def _stands(self, role: str, before: Body, body: Body) -> None:
        """ORD-16: with the job that is done its machine is not at that job any more."""
        act = self._orders.get(body.get("job", 0), {"act": ""})["act"]
        news = any(body.get(key) != before.get(key) for key in ("job", "job_state"))
        if act in UNDER_WAY and news and body.get("job_state") == "done":
            says = body["mode" if role == "crane" else "state"]
            what = f"job {body['job']}, the {act}, is 'done' and the {role} is still {says!r}"
            self._check(says not in UNDER_WAY[act], "ORD-16", what)

    def _ended(self, role: str, body: Body) -> None:
        """ORD-16: 'done' is said where what was asked is so."""
        order = self._orders.get(body["job"], {"act": ""})
        if role == "shuttle" and order["act"] == "run" and body["state"] == "at-place":
            self._check(
                body["place"] == order["to"], "ORD-16", f"the run to {order['to']} ends at {body['place']}"
            )
        crane = self._node.crane
        if role != "crane" or crane is None or order["act"] not in ("jog", "park") or body["mode"] != "ready":
            return
        wanted = list(order["target"]) if order["act"] == "jog" else [axis.park for axis in crane.axes]
        seen = [axis[1] for axis in body["axes"]]
        self._check(seen == wanted, "ORD-16", f"the {order['act']} to {wanted} is done with targets {seen}")

    def _carries(self, body: Body) -> None:
        order = self._orders.get(body["id"], {})
        if body.get("step") not in CARRIES or "box" not in order:
            return
        what = f"at step {body['step']!r} it names box {body.get('box', 'none')}, and not {order['box']}"
        self._check(body.get("box") == order["box"], "CRN-10", what)
        if self._steady:
            what = f"at step {body['step']!r} it says that it holds {body.get('load', 'nothing at all')!r}"
            self._check(body.get("load") == "box", "CRN-10", what)

    def _report(self, body: Body) -> None:
        if body["act"] not in specification().jobs:
            return
        self._step = str(body.get("step", "")) if body["state"] not in FINAL else ""
        if (body["act"], body["state"]) == ("transfer", "running"):
            self._carries(body)
        done = (body["act"], body["state"]) == ("transfer", "done") and body["id"] == self._carried
        if done and self._steady and "load" in body:
            self._check(
                body["load"] == "none", "CRN-10", f"the transfer is done, and it holds {body['load']!r}"
            )
