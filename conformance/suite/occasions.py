"""What brings about what a passive case judges, for a run in which it is asked for by its name.

In a complete run every case is there; alone it would judge a node that has just connected, and pass for want of
anything to judge. Of the roles only those of the node are run.
"""

from __future__ import annotations

RECONNECT = ("link-comes-back",)
"""Another connection in the same boot."""
A_JOB = ("orders-job",)
"""A job from its order to its end."""
OF_A_CRANE = ("crane-homes", "crane-jogs", "crane-transfer")
OF_A_BERTH = ("berth-arrival", "berth-departs")
OF_A_SHUTTLE = ("shuttle-runs",)
JOBS = (
    *A_JOB,
    "orders-repeat",
    "orders-cancel-open",
    "hold-keeps-job",
    *OF_A_CRANE,
    *OF_A_BERTH,
    *OF_A_SHUTTLE,
)
"""Several jobs, of every kind that the node has."""
FAULTS = ("faults-halt", "encoding-unreadable")
"""A fault of each level."""
EVERYTHING = (*RECONNECT, *A_JOB, "encoding-unreadable")
"""Each kind of message, also behind a reconnect."""
