"""An access list for mosquitto: each node may publish its own topics and nothing else; listeners only listen.

Node names are the user names. The list follows the format of mosquitto.conf(5), `acl_file`.
"""

from __future__ import annotations

from collections.abc import Iterator

from protocol.site import NodeSite, Site
from protocol.specification import Specification, TopicRule

LISTENERS = ("recorder-1", "recorder-2", "watcher-1", "watcher-2")
"""Users for `yardwire record` and `yardwire watch`. A user is connected once at a time, so each process has its own.
No node can have such a name: it is longer than a client identifier of the protocol may be."""

_HEAD = """\
# Access list for mosquitto, made from the topic rules and the site file of {site}.
# It goes with yardwire-mosquitto.conf: a list alone does not keep anybody from taking a board's client identifier.
# A user who is not named here may do nothing. Nobody may publish as another, so a board with the wrong name in
# its firmware is noticed on the first day. A broker does not look into payloads: who may ask (a job-order)
# may order, so those who only listen may not even ask.
"""


def access_list(spec: Specification, site: Site) -> str:
    """The text of the list."""
    nodes = [_node(spec, site, node) for node in site.nodes.values()]
    listeners = [f"user {name}\ntopic read {spec.root}/{site.name}/#\n" for name in LISTENERS]
    return "\n".join([_HEAD.format(site=site.name), *nodes, *listeners])


def _node(spec: Specification, site: Site, node: NodeSite) -> str:
    return "\n".join([f"user {node.name}", *_topics(spec, site, node), ""])


def _topics(spec: Specification, site: Site, node: NodeSite) -> Iterator[str]:
    orders = spec.topics["job-order"]
    for rule in spec.topics.values():
        if rule.sender == "node" and set(rule.roles) & set(node.roles):
            yield f"topic write {_filter(rule, site, node.name)}"
    if "supervisor" in node.roles:
        ordered = [other.name for other in site.nodes.values() if set(other.roles) & set(orders.roles)]
        for name in [*ordered, spec.everyone]:
            yield f"topic write {_filter(orders, site, name)}"
        yield f"topic read {spec.root}/{site.name}/#"
    else:
        for name in (node.name, spec.everyone):
            yield f"topic read {_filter(orders, site, name)}"


def _filter(rule: TopicRule, site: Site, node: str) -> str:
    return rule.pattern.format(site=site.name, node=node, place="+")
