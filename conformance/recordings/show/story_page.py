"""A story as one self-contained HTML page: no network, no other file."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from conformance.recordings.show import drawing
from conformance.recordings.show.story import Story
from conformance.templates import environment


@dataclass(frozen=True, slots=True)
class JudgedCase:
    """One line of the table of verdicts."""

    case: str
    chapter: str
    verdict: str
    requirements: tuple[str, ...]
    summary: str
    reason: str = ""


def story_page(story: Story, judged_node: str = "", verdicts: Sequence[JudgedCase] = ()) -> str:
    """Render the page; with the verdicts of a conformance run of `judged_node` if there are any."""
    return (
        environment()
        .get_template("story.html.j2")
        .render(
            story=story,
            timeline=drawing.timeline(story),
            lanes=drawing.lanes(story),
            width=drawing.WIDTH,
            job_states=Counter(job.state for job in story.jobs),
            places=sorted(story.last_map),
            judged_node=judged_node,
            verdicts=verdicts,
            verdict_counts=Counter(row.verdict for row in verdicts),
        )
    )
