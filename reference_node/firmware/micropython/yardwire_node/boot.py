"""The number of the boot: two records, written in turn, so that one whole one is there whenever the power goes."""

SIZE = 4


def _record(boot: int) -> bytes:
    low, high = boot & 0xFF, boot >> 8
    return bytes((low, high, low ^ 0x5A, high ^ 0xA5))


def _read(board, record: int) -> int | None:
    """The number in one of the records, or None."""
    part = bytes(board.read_record(record))
    boot = part[0] | part[1] << 8 if len(part) == SIZE else 0
    return boot if part == _record(boot) else None


def next_boot(board) -> tuple:
    """The number of this boot, and whether it had to be drawn because no valid one was found [MSG-05, MSG-06]."""
    first, second = _read(board, 0), _read(board, 1)
    is_second = second is not None and (first is None or 0 < (second - first) & 0xFFFF < 0x8000)
    before = second if is_second else first
    boot = (board.entropy() if before is None else before + 1) & 0xFFFF
    # Never the record that was read: it stays whole if the power goes now.
    board.write_record(0 if is_second else 1, _record(boot))
    return boot, before is None
