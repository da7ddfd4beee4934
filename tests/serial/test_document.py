"""The page of the serial line says what its data says."""

from __future__ import annotations

from conformance.publish.site import sources
from conformance.publish.site.serial_document import PAGE, renewed, tables
from protocol import line_sizes
from protocol.specification import specification

TEXT = (sources.home() / PAGE).read_text("utf-8")


def test_the_tables_are_as_the_data_is() -> None:
    """`python -m conformance.publish.site.serial_document` writes them."""
    assert renewed(TEXT, specification()) == TEXT
    for table in tables(specification()):
        assert table in TEXT


def test_the_page_names_the_slowest_rate_that_follows_from_the_sizes() -> None:
    most = specification().timing["answer"].most
    assert (
        f"{line_sizes.slowest_rate():,} baud is the slowest usual rate at which `answer` ({most} ms)" in TEXT
    )
    rates = (9600, 19_200, 115_200)
    rows = {
        "an order already on its way": line_sizes.longest_frame("job-order"),
        "the order": line_sizes.longest_frame("job-order"),
        "a state message already on its way": line_sizes.longest_frame("crane-status"),
        "the report": line_sizes.longest_frame("job-report"),
        "sum": line_sizes.bytes_to_an_answer(),
    }
    for name, size in rows.items():
        times = " | ".join(f"{round(size * line_sizes.BITS * 1000 / rate)} ms" for rate in rates)
        assert f"| {name} | {size} | {times} |" in TEXT


def test_no_state_message_is_longer_than_the_one_that_is_counted() -> None:
    longest = {kind.carries for kind in specification().line_kinds.values() if kind.sender == "node"} - {""}
    sizes = {message: line_sizes.longest_frame(message) for message in longest}
    assert max(sizes, key=lambda message: sizes[message]) in ("crane-status", "node-status")
