"""The letters of a walk over one node: what can befall it by its roles and its part of the site file."""

from __future__ import annotations

from conformance.suite.walk.happenings import by_hand, happenings, sensors
from conformance.suite.walk.job_letters import fit_job, jobs
from conformance.suite.walk.letters import Letter
from conformance.suite.walk.order_letters import orders
from protocol.site import NodeSite, Site
from protocol.specification import Specification


def alphabet(site: Site, node: NodeSite, spec: Specification, *, motion: bool, hand: bool) -> list[Letter]:
    """Every letter for a node on the bench; without `motion` those that move nothing.

    `hand`: whether there is somebody to take a crane by hand.
    """
    letters = [*orders(node, spec, fit_job(node) if motion else None), *happenings(spec, motion)]
    if motion:
        letters += jobs(site, node)
        letters += sensors(node, spec)
    if hand and node.crane:
        letters += by_hand()
    return letters
