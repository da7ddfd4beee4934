"""An AsyncAPI 3.0 document of the bus, from the side of a node.

Payloads are JSON Schema 2020-12 in the multi-format schema object. Tools that do not know that format skip them
without a word, so the schemas are published as files of their own too.
"""

from __future__ import annotations

import re
from typing import Any

from conformance.publish.artefacts.bundle import flattened
from protocol.specification import Specification, TopicRule

_FORMAT = "application/schema+json;version=draft-2020-12"


def asyncapi(spec: Specification) -> dict[str, Any]:
    """The document, ready to be written as JSON."""
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Yardwire",
            "version": f"{spec.major}.{spec.minor}.0",
            "description": "The message bus of the controllers of a miniature container terminal, as a node sees it:"
            " it sends what it knows and receives orders. The same messages travel in JSON or in CBOR; `cborKey` names"
            " the integer key of a field in CBOR, and a word travels there as its position in its list.",
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": {rule.message: _channel(spec, rule) for rule in spec.topics.values()},
        "operations": {rule.message: _operation(rule) for rule in spec.topics.values()},
        "components": {"messages": {name: _message(spec, name) for name in spec.messages}},
    }


def _channel(spec: Specification, rule: TopicRule) -> dict[str, Any]:
    labels = re.findall(r"\{(\w+)\}", rule.pattern)
    return {
        "address": rule.pattern,
        "messages": {rule.message: {"$ref": f"#/components/messages/{rule.message}"}},
        "parameters": {
            label: {"description": spec.common["$defs"][label]["description"]} for label in labels
        },
    }


def _operation(rule: TopicRule) -> dict[str, Any]:
    """What a node does on the channel; the QoS of the binding is the highest allowed."""
    allowed = " or ".join(map(str, rule.qos))
    whose = f"sent by a node of role {', '.join(rule.roles)}"
    who = whose if rule.sender == "node" else f"sent by a {rule.sender}"
    return {
        "action": "send" if rule.sender == "node" else "receive",
        "channel": {"$ref": f"#/channels/{rule.message}"},
        "summary": f"{rule.message}: {who}; QoS {allowed}; {'retained' if rule.retain else 'never retained'}",
        "bindings": {"mqtt": {"qos": max(rule.qos), "retain": rule.retain, "bindingVersion": "0.2.0"}},
    }


def _message(spec: Specification, name: str) -> dict[str, Any]:
    schema = spec.messages[name]
    acts = {act: part["examples"] for act, part in spec.acts.items()} if name == "job-order" else {}
    examples = [*schema.get("examples", ()), *(body for bodies in acts.values() for body in bodies)]
    return {
        "name": name,
        "title": schema["title"],
        "summary": schema["description"],
        "contentType": "application/json",
        "payload": {"schemaFormat": _FORMAT, "schema": flattened(spec, schema)},
        "examples": [{"payload": body} for body in examples],
    }
