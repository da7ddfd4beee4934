"""Reports that a user asked for, as files."""

from __future__ import annotations

import json
from typing import Any

from conformance.files.whole_file import require_folder, write


def as_json(report: dict[str, Any]) -> str:
    """The text of a report for programs."""
    return json.dumps(report, indent=1, ensure_ascii=False) + "\n"


__all__ = ["as_json", "require_folder", "write"]
