"""The messages of a run as rows of the store."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

from conformance.recordings.files import Source
from conformance.recordings.runs.run import Run
from conformance.recordings.store.columns import OF_BODY
from conformance.recordings.trend.derived import FigureReader
from protocol.bulk_reading import BulkReader
from protocol.recording import RecordedEvent, RecordedMessage
from protocol.sizes import topic_and_payload

Row = dict[str, Any]


def rows_of(run: Run, source: Source, mark: str, name: str) -> Iterator[Row]:
    """Every message of a run; `mark` is what somebody said of it, `name` what it is called in the store."""
    reader, derive = BulkReader(explained=0), FigureReader()
    began = datetime.fromisoformat(run.began)
    result = "fragment" if run.fragment else str(run.result)
    fixed = {
        "run": name, "run_began": began, "run_result": result, "run_mark": mark or None, "recording": run.name.file
    }  # fmt: skip
    number = 0
    for item in source.items():
        if isinstance(item, RecordedEvent):
            derive.event(item)
        if not isinstance(item, RecordedMessage):
            continue
        number += 1
        topic = reader.topic(item.topic)
        reading = reader.read(item.topic, item.payload)
        body = reading.body or {}
        told = derive.take(item, topic, reading.body)
        row = {column: body.get(column) for column in OF_BODY}
        row |= fixed
        row |= {
            "time": began + timedelta(microseconds=item.at_us),
            "number": number,
            "at_us": item.at_us,
            "topic": item.topic,
            "node": topic.node if topic else None,
            "speaker": told.speaker or None,
            "message": topic.message if topic else None,
            "map_place": (topic.place or None) if topic else None,
            "qos": item.qos,
            "retained": item.retain,
            "dup": item.dup,
            "size": topic_and_payload(item.topic, item.payload),
            "encoding": str(reading.encoding) if reading.encoding else None,
            "valid": reading.valid,
            "broken": sorted({finding.requirement for finding in reading.findings}),
            "state": body.get("state", body.get("mode")),
            "step_ended": told.step or None,
            "step_ms": told.step_ms,
            "step_way": told.way,
            "of_train": told.train,
            "answer_ms": told.answer_ms,
            "gap_ms": told.gap_ms,
            "lost": told.lost,
            "reconnected": told.reconnected,
            "arrived": told.arrived,
            "body": json.dumps(body, separators=(",", ":")) if body else None,
            "payload": None if reading.valid else item.payload,
        }
        yield row
