"""Topics: `yw1/{site}/{node}/{message}`, and `/{place}` behind a yard-map."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache

from protocol.specification import specification


class NotATopic(ValueError):
    """A topic that is none of the protocol's. The text says what is wrong with it [ENC-13]."""


@dataclass(frozen=True, slots=True)
class Topic:
    """A topic in its parts; `place` is '' except for a yard-map."""

    site: str
    node: str
    message: str
    place: str = ""

    def __str__(self) -> str:
        rule = specification().topics[self.message]
        return rule.pattern.format(site=self.site, node=self.node, place=self.place)


@lru_cache(maxsize=1024)
def parse_topic(text: str) -> Topic:
    """Take a topic apart.

    Raises NotATopic, naming the wrong level, for all that is not exactly a topic of the protocol [ENC-13].
    """
    spec = specification()
    levels = text.split("/")
    if levels[0] != spec.root:
        raise NotATopic(f"level 1 is {levels[0]!r}; topics of this version start with {spec.root!r}")
    if len(levels) < 4:
        raise NotATopic(f"{len(levels)} levels; a topic has 4: {spec.root}/SITE/NODE/MESSAGE")
    _, site, node, message, *rest = levels
    if message not in spec.topics:
        raise NotATopic(f"level 4 is {message!r}; the messages are {', '.join(spec.topics)}")
    wanted = spec.topics[message].pattern.count("/") + 1
    if len(levels) != wanted:
        raise NotATopic(f"{len(levels)} levels; a {message} topic has {wanted}")
    for number, kind, label in zip((2, 3, 5), ("site", "node", "place"), (site, node, *rest), strict=False):
        _check_label(number, kind, label)
    if node == spec.everyone and message != "job-order":
        raise NotATopic(f"level 3 is {node!r}, which only a job-order may be addressed to")
    return Topic(site, node, message, *rest)


def _check_label(number: int, kind: str, label: str) -> None:
    most = int(specification().common["$defs"][kind]["maxLength"])
    if not 1 <= len(label) <= most:
        raise NotATopic(f"level {number} has {len(label)} characters; a {kind} has 1 to {most}")
    if re.search("[^A-Za-z0-9-]", label):
        raise NotATopic(f"level {number} is {label!r}; a {kind} is made of A-Z a-z 0-9 and '-'")
