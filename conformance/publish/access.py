"""An access list for mosquitto: each node may publish its own topics and nothing else.

Node names are the user names. The list follows the format of mosquitto.conf(5), `acl_file`.
"""

from __future__ import annotations

from collections.abc import Iterator

from protocol.site import NodeSite, Site
from protocol.specification import Specification, TopicRule

_HEAD = """\
# Access list for mosquitto, made from the topic rules and the site file of {site}.
#   acl_file yardwire.acl, with allow_anonymous false and a password_file whose users are the nodes' names.
# A user who is not named here may do nothing. Nobody may publish as another, so a board with the wrong name in
# its firmware is noticed on the first day.
"""


def access_list(spec: Specification, site: Site) -> str:
    """The text of the list."""
    parts = [_HEAD.format(site=site.name), *(_node(spec, site, node) for node in site.nodes.values())]
    return "\n".join(parts)


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
