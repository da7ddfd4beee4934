"""The boot counter: a number in a file, as a board keeps it in EEPROM."""

from __future__ import annotations

from pathlib import Path

import pytest

from reference_node.boot_counter import next_boot


def entropy() -> int:
    return 0xBEEF


def test_counts_up_and_wraps(tmp_path: Path) -> None:
    """MSG-05; 16 bits."""
    file = tmp_path / "north.boot"
    file.write_text("65534\n")
    assert [next_boot(file, entropy) for _ in range(3)] == [(65535, False), (0, False), (1, False)]
    assert [path.name for path in tmp_path.iterdir()] == ["north.boot"], "nothing half-written is left"


@pytest.mark.parametrize(
    "content", [None, b"", b"65536", b"-1", b"12a", b"\xff\xff\xff", b"1\n2", "٣".encode()]
)
def test_an_erased_or_spoilt_counter_starts_from_entropy(content: bytes | None, tmp_path: Path) -> None:
    """MSG-06."""
    file = tmp_path / "state" / "north.boot"
    if content is not None:
        file.parent.mkdir()
        file.write_bytes(content)
    assert next_boot(file, entropy) == (0xBEEF, True)
    assert next_boot(file, entropy) == (0xBEF0, False)
