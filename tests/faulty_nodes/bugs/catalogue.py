"""All planted bugs: importing a module enters its bugs."""

from __future__ import annotations

import tests.faulty_nodes.bugs.links
import tests.faulty_nodes.bugs.payloads
import tests.faulty_nodes.bugs.sequences  # noqa: F401 - entering the bugs
from tests.faulty_nodes.bugs.registry import BUGS, Bug

__all__ = ["BUGS", "Bug"]
