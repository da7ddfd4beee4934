"""What a case asks a tap to do with the traffic: hold packets back, or lose them."""

from __future__ import annotations

from collections.abc import Callable

from conformance.bench.tap.traffic_log import Predicate
from protocol.wire.evidence import Fate, LinkPacket


class Rule:
    """A request for matching packets. It sees each packet once, in order, on the tap's thread."""

    def __init__(self, predicate: Predicate, fate: Fate, limit: int | None = None) -> None:
        """`limit` ends the rule after so many matches; None never does."""
        self._predicate = predicate
        self._limit = limit
        self.fate = fate
        self.matched = 0

    def applies(self, candidate: LinkPacket) -> bool:
        """Whether the rule takes this packet; counts it if so."""
        if self.matched == self._limit or not self._predicate(candidate):
            return False
        self.matched += 1
        return True


class RuleSet:
    """The rules in force, and what they hold. Used on the tap's thread alone."""

    def __init__(self) -> None:
        self._rules: list[Rule] = []
        self._held: list[tuple[Rule, LinkPacket, Callable[[], None]]] = []

    def add(self, rule: Rule) -> Rule:
        """Put a rule in force, behind those that are."""
        self._rules.append(rule)
        return rule

    def judge(self, packet: LinkPacket, send_later: Callable[[], None]) -> Fate:
        """Say what becomes of a packet: the first rule that matches decides, and may keep it."""
        rule = next((rule for rule in self._rules if rule.applies(packet)), None)
        if rule is None:
            return Fate.FORWARDED
        if rule.fate is Fate.HELD:
            self._held.append((rule, packet, send_later))
        return rule.fate

    def held(self, rule: Rule) -> list[LinkPacket]:
        """What a rule holds at the moment, oldest first."""
        return [packet for by, packet, _ in self._held if by is rule]

    def end(self, rule: Rule, *, send: bool) -> None:
        """Take a rule out of force, and send on or lose what it held."""
        if rule in self._rules:
            self._rules.remove(rule)
        mine = [entry for entry in self._held if entry[0] is rule]
        self._held = [entry for entry in self._held if entry[0] is not rule]
        if send:
            for _, _, send_later in mine:
                send_later()
