"""Orders that somebody has written down under a name, for prompt and page: sent through every check, as any other."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from conformance.files import whole_file
from conformance.page.server.desk import Call
from conformance.page.server.order_forms import InvalidRequest, Offer, offers
from protocol.site import Site
from protocol.trouble import Trouble

USUAL = "orders.toml"
"""Beside the site file."""
NAME = "[A-Za-z0-9][A-Za-z0-9-]{0,23}"
MOST = 100
MOST_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class SavedOrder:
    """One order under its name; `given` is as a person fills it in."""

    name: str
    offer: Offer
    given: Mapping[str, Any]

    @property
    def words(self) -> str:
        """What it orders, in words."""
        told = ", ".join(f"{name} {value}" for name, value in self.given.items())
        return f"{self.offer.node}: {self.offer.act}{', ' + told if told else ''}"

    def call(self) -> Call:
        """The call of a desk. Raises InvalidRequest."""
        return Call("order", (self.offer.node, self.offer.act), self.offer.read(self.given))

    def document(self) -> dict[str, Any]:
        """For the page."""
        return {
            "name": self.name, "node": self.offer.node, "act": self.offer.act, "words": self.words,
            "fields": {name: str(value) for name, value in self.given.items()}, "caution": self.offer.caution,
        }  # fmt: skip


class SavedOrders:
    """Those of one file; one that is not there yet has none. The same orders are offered as on the page."""

    def __init__(self, site: Site, path: Path) -> None:
        """Raises Trouble for a file that cannot be read, or has an order in it that this site cannot be given."""
        self._offers = {(one.node, one.act): one for one in offers(site)}
        self._path = path
        self._orders = {one.name: one for one in self._read()} if path.exists() else {}

    def __iter__(self) -> Iterator[SavedOrder]:
        return iter(list(self._orders.values()))

    def get(self, name: str) -> SavedOrder | None:
        """The one of that name."""
        return self._orders.get(name)

    def save(self, name: str, call: Call) -> str | None:
        """Write down what a person has said, or say why not. It replaces nothing. Raises Trouble."""
        if call.name != "order":
            return "only an order to one node can be saved"
        node, act = call.given
        offer = self._offers.get((str(node), str(act)))
        if offer is None:
            return f"{node!r} takes no order {act!r}"
        fields = dict(call.fields)
        if "target" in fields:
            fields = {one.name: value for one, value in zip(offer.fields, fields["target"], strict=False)}
        if name in self._orders:
            return f"there is a saved order {name!r} already: {self._orders[name].words}"
        try:
            self._orders[name] = self._order(name, {"node": node, "act": act, **fields})
        except Trouble as trouble:
            return trouble.what
        self._write()
        return None

    def _read(self) -> Iterator[SavedOrder]:
        where = str(self._path)
        try:
            with self._path.open("rb") as file:
                content = file.read(MOST_BYTES + 1)
            found = tomllib.loads(content.decode("utf-8"))
        except OSError as error:
            raise Trouble(f"cannot be read: {error.strerror}", where=where, fix="Check its rights") from None
        except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
            raise Trouble(
                f"not TOML: {error}", where=where, fix="Write each order as [NAME], then its fields"
            ) from None
        if len(content) > MOST_BYTES or len(found) > MOST:
            raise Trouble(f"more than {MOST} orders", where=where, fix="Keep those that you use")
        for name, row in found.items():
            if not isinstance(row, dict):
                raise Trouble(
                    f"[{name}]: expected an order", where=where, fix=f"Write [{name}], then node and act"
                )
            yield self._order(name, row)

    def _order(self, name: str, row: Mapping[str, Any]) -> SavedOrder:
        where = f"{self._path}: [{name}]"
        if re.fullmatch(NAME, name) is None:
            what = f"{name!r} is not a name: it has 1 to 24 characters A-Z a-z 0-9 and '-'"
            raise Trouble(what, where=where, fix="Take another")
        given = {key: value for key, value in row.items() if key not in ("node", "act")}
        offer = self._offers.get((str(row.get("node")), str(row.get("act"))))
        if offer is None:
            known = sorted({act for node, act in self._offers if node == row.get("node")})
            fix = f"It takes {', '.join(known)}" if known else "Name a node of the site file"
            raise Trouble(f"{row.get('node')!r} takes no order {row.get('act')!r}", where=where, fix=fix)
        made = SavedOrder(name, offer, given)
        try:
            made.call()
        except InvalidRequest as error:
            raise Trouble(str(error), where=where, fix="Correct it, as the form on the page has it") from None
        return made

    def _write(self) -> None:
        import tomlkit

        text = self._path.read_text(encoding="utf-8") if self._path.exists() else ""
        document = tomlkit.parse(text)  # Comments and order of what somebody has written stay.
        for one in self._orders.values():
            if one.name not in document:
                table = tomlkit.table()
                table.update({"node": one.offer.node, "act": one.offer.act, **one.given})
                document.add(one.name, table)
        whole_file.write(self._path, tomlkit.dumps(document))
