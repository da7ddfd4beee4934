"""Small parts of the protocol at their edges: counts that wrap, claims, tables, old boots, and what a delivery is."""

from __future__ import annotations

import pytest

from protocol.boots import REMEMBERED, Boots
from protocol.counting import CLAIM_SPREAD, CLAIM_STEP, claim_id, int16, next_count, uptime_difference
from protocol.line_sizes import RATES, SPARE, bytes_to_an_answer, longest_frame, slowest_rate
from protocol.participant import Delivery
from protocol.specification import specification
from protocol.transition_table import NoWay, Table, Transition

SILENCE_US = specification().most_ms("state_silence") * 1000
WRAP = 2**32


@pytest.mark.parametrize(
    ("later", "earlier", "by"),
    [(5, 5, 0), (6, 5, 1), (5, 6, -1), (4, WRAP - 1, 5), (WRAP - 1, 4, -5), (WRAP // 2 - 1, 0, WRAP // 2 - 1),
     (WRAP // 2, 0, -WRAP // 2), (0, WRAP // 2, -WRAP // 2)],
)  # fmt: skip
def test_uptimes_differ_as_signed_numbers_of_32_bits(later: int, earlier: int, by: int) -> None:
    """ORD-11: a deadline beyond the wrap of uptime is in time, one before it is late."""
    assert uptime_difference(later, earlier) == by


def test_a_count_goes_round_and_a_position_stops_at_its_ends() -> None:
    """MSG-07: 0 after 65535."""
    assert [next_count(one) for one in (0, 65_534, 65_535)] == [1, 65_535, 0]
    ends = [-40_000, -32_769, -32_768, -1, 32_767, 32_768]
    assert [int16(one) for one in ends] == [-32_768, -32_768, -32_768, -1, 32_767, 32_767]


@pytest.mark.parametrize(
    ("mark", "bits", "claim"),
    [
        (0, 0, CLAIM_STEP),
        (CLAIM_STEP - 1, 0, CLAIM_STEP),
        (CLAIM_STEP, 0, 2 * CLAIM_STEP),
        (0, 1, CLAIM_STEP + CLAIM_SPREAD),
        (7, 4_095, 2 * CLAIM_STEP - CLAIM_SPREAD),
        (7, 4_096, CLAIM_STEP),
        (4_095 * CLAIM_STEP - 1, 4_095, WRAP - CLAIM_SPREAD),
    ],
)
def test_a_claim_is_the_next_number_above_the_mark_and_some_random_bits(
    mark: int, bits: int, claim: int
) -> None:
    """SUP-03: n * 2^20 + r * 2^8, n the least with n * 2^20 above the mark."""
    assert (CLAIM_STEP, CLAIM_SPREAD) == (2**20, 2**8)
    assert claim_id(mark, bits) == claim


@pytest.mark.parametrize("bits", [0, 4_095])
def test_the_ids_of_a_boot_are_used_up_at_the_end_of_32_bits(bits: int) -> None:
    with pytest.raises(OverflowError, match="used up"):
        claim_id(4_095 * CLAIM_STEP, bits)


def row(state: str, event: str, after: str) -> Transition:
    return Transition(state, event, "", after, ())


def test_a_table_allows_what_a_row_does_and_to_stay() -> None:
    rows = (row("a", "go", "b"), row("b", "go", "c"), row("a", "jump", "c"))
    no_ways = (
        NoWay("ignored", ("b",), ("jump",), "why"),
        NoWay("impossible", ("b", "c"), ("jump", "go"), "other"),
    )
    table = Table("t", "T", ("a", "b", "c"), "a", ("c",), rows, no_ways=no_ways)
    allowed = {(was, is_) for was in "abc" for is_ in "abc" if table.allows(was, is_)}
    assert allowed == {("a", "a"), ("b", "b"), ("c", "c"), ("a", "b"), ("a", "c"), ("b", "c")}
    assert table.events == ("go", "jump")
    assert [one.next for one in table.leaving("a")] == ["b", "c"]
    assert [one.next for one in table.rows("a", "go")] == ["b"]
    assert [table.no_way(*pair) for pair in (("a", "go"), ("b", "jump"), ("c", "go"))] == [None, *no_ways]


@pytest.mark.parametrize(("silent_us", "late"), [(SILENCE_US, True), (SILENCE_US + 1, False)])
def test_an_old_boot_comes_late_while_the_newer_one_speaks(silent_us: int, late: bool) -> None:
    """SUP-28: words of an old boot may come late; after a silence the node is believed."""
    boots = Boots()
    assert not boots.is_late("north", 7, 0)
    assert not boots.is_late("north", 8, 10), "a boot that was never heard is new"
    assert not boots.is_late("north", 8, 20)
    assert boots.is_late("north", 7, 20 + silent_us) is late
    assert not boots.is_late("south", 7, 20), "of another node nothing follows"
    assert not boots.is_late("north", 7 + late, 30 + silent_us)


def test_so_many_boots_of_a_node_are_remembered() -> None:
    for others, late in ((REMEMBERED - 1, True), (REMEMBERED, False)):
        boots = Boots()
        for boot in range(others + 1):
            assert not boots.is_late("north", boot, boot)
        assert boots.is_late("north", 0, others) is late


def test_a_delivery_is_live_and_the_first_unless_its_packet_says_otherwise() -> None:
    one = Delivery("t", b"x")
    assert (one.qos, one.retain, one.dup) == (0, False, False)


def test_a_line_is_fast_enough_where_an_answer_and_what_is_under_way_pass_in_time() -> None:
    """SER-12 and ORD-01: ten bits a byte, and 85 % of the 200 ms for the line."""
    most_ms = specification().most_ms("answer")
    octets = 2 * longest_frame("job-order") + longest_frame("crane-status") + longest_frame("job-report")
    assert bytes_to_an_answer() == octets
    rate = slowest_rate()
    assert octets * 10 / rate <= SPARE * most_ms / 1000
    slower = max(one for one in RATES if one < rate)
    assert octets * 10 / slower > SPARE * most_ms / 1000
    assert list(RATES) == [*(1200 * 2**n for n in range(6)), 57_600, 115_200]
