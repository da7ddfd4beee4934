"""The catalogue of everything that a supervisor and a node consist of."""

from __future__ import annotations

from protocol.site import BerthSite, CraneSite, NodeSite, Place, ShuttleSite, Site
from protocol.specification import Specification
from protocol.transition_table import Table
from reference_node.sensing.arrival import ArrivalSettings
from reference_node.snapshot.canonical import Catalogue
from reference_node.snapshot.node_fields import NODE_PLANS
from reference_node.snapshot.supervisor_fields import SUPERVISOR_PLANS
from reference_node.supervisor.observe.pace import Pace
from reference_node.supervisor.plan.search.durations import Durations

NEVER_CHANGES = (
    Site, NodeSite, Place, CraneSite, BerthSite, ShuttleSite, Pace, Table, Specification, ArrivalSettings,
    Durations,
)  # fmt: skip
CATALOGUE = Catalogue({**SUPERVISOR_PLANS, **NODE_PLANS}, NEVER_CHANGES)
