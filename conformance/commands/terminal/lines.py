"""Lines as somebody types them, beside what else goes on."""

from __future__ import annotations

import io
import queue
import threading
from typing import Any


def lines_of(stream: Any) -> queue.Queue[str | None]:
    """Lines as they are typed; None at the end of input."""
    lines: queue.Queue[str | None] = queue.Queue()
    if isinstance(stream, io.TextIOWrapper):
        stream.reconfigure(errors="replace")  # What is typed is never a reason to end.

    def read() -> None:
        for line in stream:
            lines.put(line)
        lines.put(None)

    threading.Thread(target=read, name="prompt", daemon=True).start()
    return lines
