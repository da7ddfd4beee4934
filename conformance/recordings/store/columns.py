"""The columns of the store: names and types that stay. What is added later stands behind what was there.

One row a message, of a recording as it was heard. What a message says stands in columns of its own where people look
for it, and whole in `body`; what only the messages before it tell (`step_ms`, `answer_ms`, `lost`, ...) was worked
out when it was written.
"""

from __future__ import annotations

from typing import Any

VERSION = 1
"""Of the columns; in the metadata of each file as `yardwire.store`."""

TEXT, WORD, TIME, TRUTH, BYTES, TEXTS = "string", "word", "timestamp", "bool", "binary", "list of strings"
INT8, INT32, INT64 = "int8", "int32", "int64"

COLUMNS: dict[str, tuple[str, str]] = {
    "time": (TIME, "when it was heard, by the clock of the recorder"),
    "run": (WORD, "name of its run; null outside of any"),
    "run_began": (TIME, "when its run began"),
    "run_result": (WORD, "done, failed, unfinished or empty; fragment where its beginning is not there"),
    "run_mark": (WORD, "good or bad, where somebody marked its run"),
    "recording": (WORD, "file in which the run began, or which it stands in"),
    "number": (INT64, "which message of the run, from 1"),
    "at_us": (INT64, "us since the run began, by a clock that nobody sets"),
    "topic": (WORD, "the whole topic"),
    "node": (WORD, "whose topic it is"),
    "speaker": (WORD, "who said it; of an order the supervisor"),
    "message": (WORD, "which message; null where the topic is none of the protocol's"),
    "map_place": (WORD, "of a yard-map the place"),
    "qos": (INT8, "as it was delivered"),
    "retained": (TRUTH, "whether the broker had kept it"),
    "dup": (TRUTH, "whether it may have been delivered before"),
    "size": (INT32, "bytes of topic and payload"),
    "encoding": (WORD, "json or cbor"),
    "valid": (TRUTH, "whether nothing is wrong with it"),
    "broken": (TEXTS, "requirements that it breaks"),
    "boot": (INT32, "boot of the node"),
    "seq": (INT32, "count of its messages on this topic"),
    "uptime": (INT64, "ms since its boot, with wraps"),
    "mark": (INT64, "highest id that it has taken"),
    "id": (INT64, "of an order, or of the order that is answered"),
    "job": (INT64, "its current or last job"),
    "job_state": (WORD, "how far that job is"),
    "state": (WORD, "state of a job-report, a machine, a node or a map; mode of a crane"),
    "act": (WORD, "what is ordered or answered"),
    "step": (WORD, "what the job is doing now"),
    "reason": (WORD, "why it was refused or ended so"),
    "box": (TEXT, "label of the box"),
    "load": (WORD, "what a spreader or deck holds"),
    "place": (WORD, "where a shuttle stands"),
    "train": (WORD, "label of the train"),
    "held": (TRUTH, "stopped by a hold"),
    "reading": (INT32, "rest reading of a berth, or the one that an order rests on"),
    "arm_to_end": (INT32, "ms from arming sensor to end sensor"),
    "ignored": (INT32, "pulses of the end sensor before arming"),
    "arrival": (INT32, "which arrival of the boot"),
    "link": (INT32, "which connection of the boot"),
    "step_ended": (WORD, "step that this report ends, seen whole and with no hold in it"),
    "step_ms": (INT64, "how long that step took, by the node's clock"),
    "step_way": (WORD, "slot at which it was done, or from where to where it went"),
    "of_train": (WORD, "train that stood there, or has come to rest"),
    "answer_ms": (INT64, "from the order to this, its first report, as the recorder heard both"),
    "gap_ms": (INT64, "since the message before on this topic, by the node's clock"),
    "lost": (INT32, "messages of this topic that are missing right before it"),
    "reconnected": (TRUTH, "whether it says a new connection or boot"),
    "arrived": (TRUTH, "whether it is the first word of a train that has come to rest"),
    "body": (TEXT, "what was read, as JSON; null where it cannot be read"),
    "payload": (BYTES, "the bytes of what is not valid; null else"),
}
"""Name to type and meaning."""

OF_BODY = (
    "boot", "seq", "uptime", "mark", "id", "job", "job_state", "act", "step", "reason", "box", "load", "place", "train",
    "held", "reading", "arm_to_end", "ignored", "arrival", "link",
)  # fmt: skip
"""Columns that are fields of the body under the same name."""


def arrow_schema() -> Any:
    """The columns as pyarrow has them. Raises ImportError without it."""
    import pyarrow as pa

    types = {
        TEXT: pa.string(), WORD: pa.dictionary(pa.int32(), pa.string()), TIME: pa.timestamp("us", tz="UTC"),
        TRUTH: pa.bool_(), BYTES: pa.binary(), TEXTS: pa.list_(pa.string()), INT8: pa.int8(), INT32: pa.int32(),
        INT64: pa.int64(),
    }  # fmt: skip
    fields = [
        pa.field(name, types[kind], metadata={"meaning": meaning})
        for name, (kind, meaning) in COLUMNS.items()
    ]
    return pa.schema(fields, metadata={"yardwire.store": str(VERSION)})
