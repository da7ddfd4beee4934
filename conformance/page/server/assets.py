"""The files that a browser fetches: the sheet with all that stands still, its style and its program."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass

from conformance.page.model.plan_geometry import Panel, PlanGeometry
from conformance.page.server.live_model import LivePage
from conformance.page.server.order_forms import Offer
from conformance.page.server.saved_orders import SavedOrder
from conformance.page.server.yard_picture import yard_picture
from conformance.templates import environment, escaped_by_name
from protocol.site import Place, PlaceKind, Site
from protocol.specification import specification

SCRIPTS = ("goals.js", "withdrawn.js", "page.js", "orders.js", "yard.js", "messages.js", "start.js")
TICKS_MOST = 10
MARGIN = 8.0
HEAD = 40.0
"""Room above the plan for the names of cranes."""
GAP = 50.0
"""Room between plan and elevation for the scale."""
BEAM = 20.0
"""Height of a crane's beam over the hoist's safe height."""


@dataclass(frozen=True, slots=True)
class DrawnPanel:
    """One panel, ready to be drawn: where plan and elevation lie in it."""

    panel: Panel
    left: float
    top: float
    width: float
    height: float
    side: float
    """How far down the elevation is drawn."""
    floor: float
    ticks: list[tuple[float, str]]

    @property
    def view(self) -> str:
        """The viewBox."""
        return f"{self.left:g} {self.top:g} {self.width:g} {self.height:g}"


def sheets(ground: PlanGeometry) -> list[DrawnPanel]:
    """Every panel of the site."""
    return [_sheet(ground, panel) for panel in ground.panels]


def _sheet(ground: PlanGeometry, panel: Panel) -> DrawnPanel:
    half = ground.length * 0.62
    left = min([panel.left] + [spot.at.x for spot in panel.spots]) - half - MARGIN
    right = max([panel.right] + [spot.at.x for spot in panel.spots]) + half + MARGIN
    top, floor = panel.top - HEAD, panel.floor + ground.height
    side = panel.bottom + GAP + BEAM
    return DrawnPanel(
        panel, left, top, right - left, side + floor + MARGIN - top, side, floor, _ticks(panel.left, panel.right)
    )  # fmt: skip


def _ticks(low: float, high: float) -> list[tuple[float, str]]:
    """Marks of a scale at round steps: 1, 2 or 5 times a power of ten."""
    steps = (base * 10**power for power in range(6) for base in (1, 2, 5))
    step = next((step for step in steps if (high - low) / step <= TICKS_MOST), 10**6)
    first = -int(-low // step)
    return [(float(n * step), str(n * step)) for n in range(first, int(high // step) + 1)]


def files(
    page: LivePage, offered: Iterable[Offer] | None, saved: Iterable[SavedOrder] = ()
) -> dict[str, tuple[str, str]]:
    """Name to media type and text; '' is the page. `offered` None: nothing can be ordered."""
    templates = environment(escaped_by_name("html.j2", "svg.j2"))
    orders = None if offered is None else [asdict(offer) for offer in offered]
    spec = specification()
    html = templates.get_template("live/page.html.j2").render(
        site=page.site, source=page.source, sheets=sheets(page.ground), ground=page.ground, orders=orders,
        scripts=SCRIPTS,
        saved=[one.document() for one in saved],
        slots={place.name: place.slots for place in page.site.places.values()},
        places=[(place, _about(page.site, place)) for place in page.site.places.values()],
        berths=[node.name for node in page.site.with_role("berth")],
        machines=[node.name for node in page.site.nodes.values() if not node.is_supervisor],
        topics=list(spec.topics), picture=yard_picture(page.site),
        tracks={place.node: place.name for place in page.site.places.values() if place.kind is PlaceKind.TRACK},
        rules={rule.id: rule.says for rule in spec.requirements.values()}, PlaceKind=PlaceKind, json=_json,
    )  # fmt: skip
    return {
        "": ("text/html", html),
        "page.css": ("text/css", templates.get_template("live/page.css.j2").render()),
        **{name: ("text/javascript", templates.get_template(f"live/{name}").render()) for name in SCRIPTS},
        "icon.svg": ("image/svg+xml", templates.get_template("live/icon.svg").render()),
    }


def _about(site: Site, place: Place) -> str:
    """What a place is, and who reaches it."""
    kind = {"stack": "stack", "track": f"track of {place.node}", "deck": f"deck of {place.node}"}[place.kind]
    cranes = " and ".join(site.cranes_reaching(place.name))
    return f"{kind}, {'reached by ' + cranes if cranes else 'reached by no crane'}"


def _json(value: object) -> str:
    """JSON that can stand inside a script element, whatever is in it."""
    text = json.dumps(value, separators=(",", ":"), default=str)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")
