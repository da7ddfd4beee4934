"""The gateway's end of a line keeps the rules that bind it; each wrong one is caught by the check of its rule."""

from __future__ import annotations

import pytest

from protocol.specification import specification
from protocol.wire.serial.gateway_line import GatewayLine
from tests.faulty_lines.gateways import CAUGHT_BY
from tests.serial.gateway_checks import CHECKS


@pytest.mark.parametrize("name", CHECKS)
def test_the_gateway_keeps_its_rules(name: str) -> None:
    CHECKS[name][1](GatewayLine)


@pytest.mark.parametrize("wrong", CAUGHT_BY, ids=lambda wrong: wrong.__name__)
def test_a_wrong_gateway_is_caught(wrong: type[GatewayLine]) -> None:
    with pytest.raises(AssertionError):
        CHECKS[CAUGHT_BY[wrong]][1](wrong)


def test_every_rule_of_a_gateway_and_every_check_has_a_wrong_one() -> None:
    rules = {rule.id for rule in specification().requirements.values() if rule.role == "gateway"}
    assert rules == {"SER-09", "SER-10", "SER-11"}
    assert {CHECKS[name][0] for name in CAUGHT_BY.values()} == rules
    assert set(CAUGHT_BY.values()) == set(CHECKS)
