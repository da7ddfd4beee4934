"""What stands on the bench beside the node under test: a broker, and a tap between the two."""

from __future__ import annotations
