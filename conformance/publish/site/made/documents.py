"""Every document that is made, by its path in the project."""

from __future__ import annotations

from conformance.publish.site.made.bench_play import bench_document
from conformance.publish.site.made.faults import faults_document
from conformance.publish.site.made.in_time import in_time_document
from conformance.publish.site.made.site_fields import site_fields_document
from protocol.specification import specification


def documents() -> dict[str, str]:
    """Path to Markdown."""
    spec = specification()
    return {
        "docs/protocol/bench.md": bench_document(),
        "docs/protocol/faults.md": faults_document(spec),
        "docs/protocol/in-time.md": in_time_document(spec),
        "docs/protocol/site-fields.md": site_fields_document(spec),
    }
