"""A node that was written for protocol 1.0 and is never changed again."""

from __future__ import annotations

from reference_node.controller.controller import Controller


class FirstMinor(Controller):
    """Says 1.0, follows the tables of 1.0 and does nothing that came later."""

    minor = 0
