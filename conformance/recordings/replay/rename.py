"""Nodes, places and the site of a recording by other names: in topics, and wherever a message names one."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace

from protocol.bulk_reading import BulkReader
from protocol.codec import encode
from protocol.recording import RecordedMessage
from protocol.specification import specification
from protocol.trouble import Trouble

SITE, NODE, PLACE = "site", "node", "place"
LONGEST = {SITE: 12, NODE: 8, PLACE: 8}
PLACES = ("from", "to", "place")
"""Fields that name a place or a stop."""
_RULE = re.compile(r"(?:(site|node|place):)?([A-Za-z0-9-]{1,12})=([A-Za-z0-9-]{1,12})")


class Rename:
    """Which names become which. Two never become one: nobody could tell afterwards who had said what."""

    def __init__(self, kinds: Mapping[str, Mapping[str, str]]) -> None:
        self._kinds = {kind: dict(kinds.get(kind, {})) for kind in LONGEST}
        self._reader = BulkReader()

    def __bool__(self) -> bool:
        return any(self._kinds.values())

    def nodes(self, names: frozenset[str] | None) -> frozenset[str] | None:
        """The new names of nodes; None for everybody."""
        return None if names is None else frozenset(self._new(NODE, name) for name in names)

    def of(self, messages: Iterable[RecordedMessage]) -> Iterator[RecordedMessage]:
        """The messages with their new names. Raises Trouble where a name is taken already, or cannot be renamed."""
        for item in messages:
            yield self.message(item) if self else item

    def message(self, item: RecordedMessage) -> RecordedMessage:
        """One message. Raises Trouble for one that cannot be read: it may name somebody in what nobody can read."""
        topic = self._reader.topic(item.topic)
        if topic is None:
            return item
        self._require_free(SITE, topic.site)
        self._require_free(NODE, topic.node)
        self._require_free(PLACE, topic.place)
        renamed = replace(
            topic, site=self._new(SITE, topic.site), node=self._new(NODE, topic.node),
            place=self._new(PLACE, topic.place) if topic.place else topic.place,
        )  # fmt: skip
        payload = item.payload
        if item.payload and (self._kinds[NODE] or self._kinds[PLACE]):
            payload = self._payload(item, topic.message)
        return item._replace(topic=str(renamed), payload=payload)

    def _payload(self, item: RecordedMessage, message: str) -> bytes:
        reading = self._reader.read(item.topic, item.payload)
        if reading.body is None or reading.encoding is None or reading.findings:
            raise Trouble(
                "a message that is not valid cannot be renamed: it may name somebody where nobody can tell",
                where=item.topic,
                fix="Leave its node out with --node, or leave out --rename",
            )
        body = dict(reading.body)
        for name in PLACES:
            if isinstance(body.get(name), str):
                self._require_free(PLACE, body[name])
                body[name] = self._new(PLACE, body[name])
        if "rests_on" in body:
            body["rests_on"] = [[self._new(NODE, who), *rest] for who, *rest in body["rests_on"]]
        return item.payload if body == reading.body else encode(message, body, reading.encoding)

    def _new(self, kind: str, name: str) -> str:
        return self._kinds[kind].get(name, name)

    def _require_free(self, kind: str, name: str) -> None:
        names = self._kinds[kind]
        if name not in names and name in names.values():
            raise Trouble(
                f"the recording has a {kind} {name!r} already, and two would become one",
                where="--rename",
                fix="Take another name, or rename that one too",
            )


def rename_of(rules: Iterable[str]) -> Rename:
    """The rules OLD=NEW, node:OLD=NEW, place:OLD=NEW and site:OLD=NEW; without a word it is a node. Raises Trouble."""
    kinds: dict[str, dict[str, str]] = {kind: {} for kind in LONGEST}
    everyone = specification().everyone
    for rule in rules:
        found = _RULE.fullmatch(rule)
        kind = (found[1] or NODE) if found else NODE
        if found is None or max(len(found[2]), len(found[3])) > LONGEST[kind]:
            raise Trouble(
                f"{rule!r} is not a rule for names", where="--rename",
                fix="Write it as north=south, place:stack-n=stack-s or site:old=new",
            )  # fmt: skip
        _, old, new = found.groups()
        if kind == NODE and everyone in (old, new):
            raise Trouble(f"{everyone!r} is no name of a node: it means each of them", where="--rename")
        if old in kinds[kind] or new in kinds[kind].values():
            raise Trouble(f"{rule!r}: a name stands in two rules", where="--rename", fix="Name each once")
        kinds[kind][old] = new
    return Rename(kinds)
