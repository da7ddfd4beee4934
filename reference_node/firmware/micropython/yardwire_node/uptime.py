"""Uptimes of 32 bits: the firmware counts on without end, and only what is said and compared wraps."""

WRAP = 0x100000000


def after(one: int, other: int) -> bool:
    """Whether uptime `one` is later than `other`, right across the wrap [ORD-11]."""
    return 0 < (one - other) % WRAP < WRAP // 2
