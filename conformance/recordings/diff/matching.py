"""Which events of two sequences belong together: a longest common subsequence, in time that grows with the
length and with the number of differences.

The algorithm is E. W. Myers, 'An O(ND) Difference Algorithm and Its Variations', Algorithmica 1 (1986), whose
result is a longest common subsequence. On long sequences it stops at a run of equal events that is long enough
to be beyond chance, keeps what it has, and starts again behind it: so the cost is that of each difference by
itself, as in other programs of its kind.
"""

from __future__ import annotations

from array import array

LONG_RUN = 48
"""Equal events in a row that end a search: what comes behind them is looked at by itself."""
MOST_EDITS = 1500
"""Edits looked for at one place; beyond, the furthest path so far is taken."""
STRIDES = (65536, 4096, 256, 16)

Pair = tuple[int, int]
Block = tuple[int, int, int]
"""Where it begins in the first, where in the second, how many events: all equal."""


def match(first: array[int], second: array[int]) -> list[Block]:
    """Blocks of equal numbers, in order, that together are a common subsequence of the longest length.

    For sequences of more than `LONG_RUN` numbers it may be shorter than the longest, where a run of that many
    equal numbers leads astray.
    """
    blocks: list[Block] = []
    a = b = 0
    view_a, view_b = _bytes(first), _bytes(second)
    while True:
        run = _common(view_a, view_b, a, b)
        if run:
            _add(blocks, a, b, run)
            a, b = a + run, b + run
        if a >= len(first) or b >= len(second):
            return blocks
        for x, y, length in _search(first, second, view_a, view_b, a, b):
            _add(blocks, x, y, length)
        end = _search_end(blocks, a, b)
        if end is None:
            return blocks
        a, b = end


def _bytes(numbers: array[int]) -> memoryview:
    return memoryview(numbers).cast("B") if len(numbers) else memoryview(b"")


def _common(a: memoryview, b: memoryview, x: int, y: int) -> int:
    """How many numbers from `x` and `y` on are equal; long runs are compared as blocks of memory."""
    size = 4
    limit = min(len(a) // size - x, len(b) // size - y)
    run = 0
    for stride in STRIDES:
        while run + stride <= limit:
            p, q, length = (x + run) * size, (y + run) * size, stride * size
            if a[p : p + length] != b[q : q + length]:
                break
            run += stride
    while run < limit:
        p, q = (x + run) * size, (y + run) * size
        if a[p : p + size] != b[q : q + size]:
            break
        run += 1
    return run


def _add(blocks: list[Block], x: int, y: int, length: int) -> None:
    if blocks:
        px, py, before = blocks[-1]
        if px + before == x and py + before == y:
            blocks[-1] = (px, py, before + length)
            return
    blocks.append((x, y, length))


def _search_end(blocks: list[Block], a: int, b: int) -> Pair | None:
    """Where the next search begins, None where the last one came to no more."""
    if not blocks:
        return None
    x, y, length = blocks[-1]
    end = (x + length, y + length)
    return end if end > (a, b) and end[0] >= a and end[1] >= b else None


def _search(
    first: array[int], second: array[int], view_a: memoryview, view_b: memoryview, a: int, b: int
) -> list[Block]:
    """Blocks behind (a, b), up to and with a long run or to the end of both."""
    n, m = len(first) - a, len(second) - b
    furthest = {1: 0}
    trace: list[dict[int, int]] = []
    best = (0, 0, 0)
    for edits in range(min(n + m, MOST_EDITS) + 1):
        trace.append(furthest)
        reached: dict[int, int] = {}
        for k in range(-edits, edits + 1, 2):
            if k < -m or k > n:
                continue
            if k == -edits or (k != edits and furthest.get(k - 1, -1) < furthest.get(k + 1, -1)):
                x = furthest.get(k + 1, -1)
            else:
                x = furthest.get(k - 1, -1) + 1
            y = x - k
            if x < 0 or y < 0 or x > n or y > m:
                continue
            run = 0
            if x < n and y < m and first[a + x] == second[b + y]:
                run = _common(view_a, view_b, a + x, b + y)
                x, y = x + run, y + run
            reached[k] = x
            if x + y > best[0]:
                best = (x + y, k, edits)
            if (x >= n and y >= m) or run >= LONG_RUN:
                return _back(trace, reached, k, edits, a, b)
        furthest = {**reached}
    trace.append(furthest)
    _, k, edits = best
    return _back(trace[: edits + 1], trace[edits + 1], k, edits, a, b)


def _back(
    trace: list[dict[int, int]], reached: dict[int, int], k: int, edits: int, a: int, b: int
) -> list[Block]:
    """Follow the path back from where it came to, and give its runs of equal numbers in order."""
    blocks = []
    x = reached[k]
    for step in range(edits, -1, -1):
        before = trace[step]
        if step == 0:
            if x:
                blocks.append((a, b, x))
            break
        down = k == -step or (k != step and before.get(k - 1, -1) < before.get(k + 1, -1))
        previous_k = k + 1 if down else k - 1
        begin = before.get(previous_k, -1) + (0 if down else 1)
        if x > begin:
            blocks.append((a + begin, b + begin - k, x - begin))
        k, x = previous_k, before[previous_k]
    blocks.reverse()
    return blocks
