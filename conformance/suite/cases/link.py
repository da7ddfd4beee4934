"""Connecting over MQTT: what only a tap can see, and what every connection starts with."""

from __future__ import annotations

from conformance.oracle.link_log import Trace
from conformance.oracle.wording import in_words
from conformance.suite.case import case
from conformance.suite.fixture import Fixture
from conformance.suite.occasions import A_JOB, RECONNECT
from conformance.suite.span import see_for
from protocol.topics import Topic
from protocol.wire.packet import Connect, Disconnect, Publish, Subscribe

FIRST_WORD_MS = 30_000
NOBODY = "nothing has connected; is the board on, has it the address that was told, can it reach it (--bind)?"


@case("LNK-08", "LNK-12")
def link_says_on(fixture: Fixture) -> None:
    """The node is there: it connects and its first word is a node-status 'on'.

    Sends nothing. Waits up to 30 s for the node, which may be switched on at any time before. Every other
    case rests on this one.
    """
    first = fixture.wait_for(lambda m: m.from_node, fixture.stretched(FIRST_WORD_MS), 0)
    silence = "no message at all" if fixture.log.connects() else NOBODY
    fixture.check(first is not None, "LNK-08", "a node-status 'on' after connecting", silence)
    assert first is not None
    said = f"{first.name or first.topic} {first.body.get('state', '')}".strip()
    on = first.name == "node-status" and first.body.get("state") == "on"
    fixture.check(on, "LNK-08", "node-status 'on' as the first message", said, first)
    fixture.check(first.retain, "LNK-12", "the retain flag set on node-status", "it is clear", first)


@case("LNK-01", after=("link-says-on",), passive=True, occasions=RECONNECT)
def link_clean_session(fixture: Fixture) -> None:
    """Every CONNECT of the node asks for a clean session.

    Judged from the CONNECT packets that the tap has seen. MQTT 3.1.1 section 3.1.2.4 says what a kept
    session does: the broker hands over what came while the node was away.
    """
    for trace, connect in fixture.log.connects():
        session = "clean session" if connect.clean_session else "a kept session"
        fixture.check(connect.clean_session, "LNK-01", "CONNECT with clean session", session, trace)


@case("LNK-02", after=("link-says-on",), passive=True, occasions=RECONNECT)
def link_keep_alive(fixture: Fixture) -> None:
    """The keep-alive that the node asks for lies between the bounds, and is not 0.

    Judged from the CONNECT packets. With 0 the broker never notices a dead node [MQTT-3.1.2-24].
    """
    figure = fixture.spec.timing["keep_alive"]
    for trace, connect in fixture.log.connects():
        fits = (figure.least or 0) <= connect.keep_alive <= (figure.most or 0)
        fixture.check(fits, "LNK-02", f"a keep-alive of {figure}", f"{connect.keep_alive} s", trace)


@case("LNK-03", after=("link-keep-alive",), passive=True)
def link_pings(fixture: Fixture) -> None:
    """The node sends something within every keep-alive.

    Judged from the times of all its packets [MQTT-3.1.2-23], the quiet time of the case messages-heartbeat
    included. Of a run that is shorter than that keep-alive, the node is left alone for as long and asked.
    """
    asked_for = [connect.keep_alive for _, connect in fixture.log.connects()]
    see_for(fixture, fixture.stretched(max(asked_for, default=0) * 1000), packets=True)
    last: Trace | None = None
    keep_alive = 0
    for trace in fixture.log.traces:
        if not trace.from_node:
            continue
        if isinstance(trace.packet, Connect):
            keep_alive = trace.packet.keep_alive
        elif last is not None and keep_alive and last.connection == trace.connection:
            gap, most = trace.at_ms - last.at_ms, fixture.stretched(keep_alive * 1000)
            fixture.in_time(
                gap <= most,
                (last.at_ms, trace.at_ms),
                "LNK-03",
                f"a packet within {most:.0f} ms",
                f"{gap:.0f} ms of silence",
                trace,
            )
        last = trace


@case("LNK-04", "ENC-06", after=("link-says-on",), passive=True, occasions=RECONNECT)
def link_will(fixture: Fixture) -> None:
    """The will is a retained node-status 'off' on the node's own topic with boot and connection count only.

    Judged from the CONNECT packets and from the node-status 'on' that follows each: the will of a
    connection has to carry the boot and the connection count of that connection.
    """
    topic = str(Topic(fixture.site.name, fixture.name, "node-status"))
    for trace, connect in fixture.log.connects():
        will = connect.will
        fixture.check(will is not None, "LNK-04", "a will", "none", trace)
        assert will is not None
        fixture.check(will.topic == topic, "LNK-04", f"a will on {topic}", will.topic, trace)
        fixture.check(will.retain, "LNK-04", "a will with retain set", "it is clear", trace)
        fixture.check(will.qos in (0, 1), "LNK-04", "a will at QoS 0 or 1", will.qos, trace)
        body = fixture.read("node-status", will.payload)
        fixture.check(
            set(body) == {"boot", "link", "state"} and body["state"] == "off",
            "LNK-04",
            "a will with boot, link and state 'off', and nothing else",
            body or f"unreadable: {will.payload.hex(' ')}",
            trace,
        )
        said = next((m for m in fixture.log.sent("node-status", trace.number)), None)
        if said is not None and said.trace.connection == trace.connection:
            told = {word: said.body.get(word) for word in ("boot", "link")}
            willed = {word: body[word] for word in ("boot", "link")}
            fixture.check(told == willed, "LNK-04", f"a will with {in_words(told)}", willed, trace)


@case("LNK-05", after=("link-says-on",), passive=True, occasions=RECONNECT)
def link_subscribes(fixture: Fixture) -> None:
    """The node subscribes to its own job-order topic and to that of 'all', and to no other.

    Judged from the SUBSCRIBE packets of every connection. A wildcard that takes in another node's orders
    breaks it.
    """
    wanted = {fixture.topic(), fixture.topic(fixture.spec.everyone)}
    for connection, subscribed in _subscriptions(fixture).items():
        filters = {one for one in subscribed if one.startswith((fixture.spec.root, "+", "#"))}
        strange = {one for one in filters - wanted if _takes_orders(one)}
        trace = next(t for t in fixture.log.traces if t.connection == connection)
        fixture.check(
            wanted <= filters,
            "LNK-05",
            f"subscriptions to {in_words(sorted(wanted))}",
            sorted(filters),
            trace,
        )
        fixture.check(not strange, "LNK-05", "no other job-order topic", sorted(strange), trace)


@case("LNK-06", after=("link-subscribes",), passive=True, occasions=RECONNECT)
def link_subscribe_qos(fixture: Fixture) -> None:
    """The node subscribes to its orders at QoS 1.

    Judged from the SUBSCRIBE packets (MQTT 3.1.1 section 3.8.4): at QoS 0 the broker may drop an order.
    """
    for subscribed in _subscriptions(fixture).values():
        for topic in (fixture.topic(), fixture.topic(fixture.spec.everyone)):
            qos = subscribed.get(topic, 0)
            fixture.check(qos == 1, "LNK-06", f"{topic} at QoS 1", f"QoS {qos}")


@case("LNK-07", after=("link-subscribes",), passive=True, occasions=RECONNECT)
def link_subscribe_first(fixture: Fixture) -> None:
    """After every connection the node subscribes before it publishes.

    Judged from the order of its packets in every connection, the one after the cut of link-comes-back
    included.
    """
    for connection in {trace.connection for trace in fixture.log.traces}:
        own = [t for t in fixture.log.traces if t.connection == connection and t.from_node]
        published = next((t for t in own if isinstance(t.packet, Publish)), None)
        if published is None:
            continue
        ordered = {
            one.filter
            for t in own
            if isinstance(t.packet, Subscribe) and t.number < published.number
            for one in t.packet.subscriptions
        }
        fixture.check(
            fixture.topic() in ordered,
            "LNK-07",
            f"SUBSCRIBE to {fixture.topic()} before the first PUBLISH",
            "PUBLISH came first",
            published,
        )


@case("LNK-08", "LNK-09", after=("link-says-on",), passive=True, occasions=RECONNECT)
def link_first_word(fixture: Fixture) -> None:
    """Every connection starts with a node-status 'on' whose connection count is one up within a boot.

    Judged from all connections of the run. Without it the retained will of the connection before stands.
    """
    counts: dict[int, int] = {}
    for connection in sorted({trace.connection for trace in fixture.log.traces}):
        first = next((m for m in fixture.log.sent() if m.trace.connection == connection), None)
        if first is None:
            continue
        on = first.name == "node-status" and first.body.get("state") == "on"
        fixture.check(on, "LNK-08", "node-status 'on' as the first message", first.name, first)
        boot, link = first.body["boot"], first.body["link"]
        if boot in counts:
            expected = (counts[boot] + 1) % 65536
            fixture.check(link == expected, "LNK-09", f"connection count {expected}", link, first)
        counts[boot] = link


@case("LNK-09", "LNK-10", "LNK-11", "FLT-05", "MSG-04", after=("orders-ask",))
def link_comes_back(fixture: Fixture) -> None:
    """A node whose connection is cut comes back by itself, in the same boot, and nothing moves.

    Cuts the connection at the tap with no DISCONNECT, and waits for the next CONNECT: not sooner and not
    later than the times for it, with the same client identifier, one more connection, and motors as they
    were.
    """
    before = fixture.ask()
    link = before.body("node-status").get("link", 0)
    connects = fixture.log.connects()
    fixture.need(
        bool(connects), "it had connected before the kit looked; switch it on once the kit waits for it"
    )
    client = connects[-1][1].client_id
    mark, cut_at = fixture.log.end, fixture.bench.now_ms
    fixture.bench.cut()
    figure = fixture.spec.timing["reconnect"]
    most = fixture.limit_ms("reconnect")
    fixture.bench.wait(lambda: fixture.log.connects()[-1][0].number > mark, most + 1000)
    trace, connect = fixture.log.connects()[-1]
    gone = trace.number <= mark
    fixture.check(not gone, "LNK-10", f"a new CONNECT within {most:.0f} ms of the cut", "none")
    gap = trace.at_ms - cut_at
    fits = (figure.least or 0) <= gap <= most
    span = cut_at, trace.at_ms
    fixture.in_time(fits, span, "LNK-10", f"a wait of {figure}", f"{gap:.0f} ms", trace)
    fixture.check(connect.client_id == client, "LNK-11", f"client id {client}", connect.client_id, trace)
    word = fixture.wait_for(
        lambda m: m.from_node and m.name == "node-status", fixture.patience_ms, trace.number
    )
    fixture.check(word is not None, "LNK-08", "a node-status after the new CONNECT", "none")
    assert word is not None
    boot = word.body["boot"]
    fixture.check(boot == before.boot, "MSG-04", f"boot {before.boot} as before the cut", boot, word)
    expected = (link + 1) % 65536
    fixture.check(word.body["link"] == expected, "LNK-09", f"link {expected}", word.body["link"], word)
    after = fixture.unmoved(before, "FLT-05")
    fixture.check(after.mark == before.mark, "ORD-08", f"mark {before.mark}", after.mark, after.report)


@case("LNK-11", after=("link-says-on",), passive=True, occasions=RECONNECT)
def link_client_id(fixture: Fixture) -> None:
    """The node uses one client identifier, no longer than allowed, at every connection.

    Judged from the CONNECT packets [MQTT-3.1.4-2].
    """
    most = fixture.spec.most("client_id")
    first = ""
    for trace, connect in fixture.log.connects():
        first = first or connect.client_id
        fits = 1 <= len(connect.client_id) <= most
        fixture.check(
            fits, "LNK-11", f"a client identifier of 1 to {most} characters", connect.client_id, trace
        )
        fixture.check(connect.client_id == first, "LNK-11", f"client id {first}", connect.client_id, trace)


@case("LNK-18", after=("link-says-on",), passive=True, occasions=RECONNECT)
def link_connect_size(fixture: Fixture) -> None:
    """A whole CONNECT fits into the smallest buffer, and so does each part of it.

    Judged from the bytes of the CONNECT packets, counted as in MQTT 3.1.1 section 3.1.
    """
    connect_sizes(fixture)


def connect_sizes(fixture: Fixture) -> None:
    """Demand of every CONNECT that it keeps within the limits [LNK-18]."""
    for trace, connect in fixture.log.connects():
        most = fixture.spec.most("packet")
        fixture.check(trace.size <= most, "LNK-18", f"at most {most} bytes", f"{trace.size} bytes", trace)
        parts = {
            "client_id": ("a client identifier", len(connect.client_id)),
            "user_name": ("a user name", len(connect.user or "")),
            "password": ("a password", connect.password_size or 0),
        }
        for name, (part, length) in parts.items():
            allowed = fixture.spec.most(name)
            fixture.check(length <= allowed, "LNK-18", f"{part} of at most {allowed}", length, trace)


@case("LNK-16", after=("link-says-on",), passive=True)
def link_parting(fixture: Fixture) -> None:
    """A node that says DISCONNECT has published its 'off' before, on the same connection.

    Judged from the node's DISCONNECT packets, for these suppress the will [MQTT-3.1.2-10]. A node that was never
    seen to leave on purpose is not judged.
    """
    partings = [t for t in fixture.log.traces if t.from_node and isinstance(t.packet, Disconnect)]
    fixture.occasion(bool(partings), "the node was not seen to leave on purpose")
    for trace in partings:
        said = [
            m.body.get("state")
            for m in fixture.log.sent("node-status")
            if m.trace.connection == trace.connection
        ]
        word = said[-1] if said else "no node-status"
        fixture.check(word == "off", "LNK-16", "node-status 'off' before DISCONNECT", word, trace)


@case("LNK-12", "LNK-13", after=("link-says-on",), passive=True, occasions=A_JOB)
def link_retain_flags(fixture: Fixture) -> None:
    """State messages carry the retain flag, reports do not.

    Judged from every PUBLISH of the node (MQTT 3.1.1 section 3.3.1.3).
    """
    for message in fixture.log.sent():
        rule = fixture.spec.topics.get(message.name)
        if rule is not None:
            wanted = "set" if rule.retain else "clear"
            requirement = "LNK-12" if rule.retain else "LNK-13"
            expected = f"retain {wanted} on {message.name}"
            seen = "it is set" if message.retain else "it is clear"
            fixture.check(message.retain == rule.retain, requirement, expected, seen, message)


@case("LNK-19", after=("link-says-on",), passive=True, occasions=A_JOB)
def link_qos(fixture: Fixture) -> None:
    """The node publishes at the QoS that the site file says, 0 or 1.

    Judged from every PUBLISH of the node (MQTT 3.1.1 section 4.3).
    """
    for message in fixture.log.sent():
        fixture.check(message.qos in (0, 1), "LNK-19", "QoS 0 or 1", message.qos, message)
        fixture.check(
            message.qos == fixture.node.qos, "LNK-19", f"QoS {fixture.node.qos}", message.qos, message
        )


def _subscriptions(fixture: Fixture) -> dict[int, dict[str, int]]:
    """Topic filters and their QoS by connection; connections that were cut before SUBSCRIBE are left out."""
    found: dict[int, dict[str, int]] = {}
    for trace in fixture.log.traces:
        if trace.from_node and isinstance(trace.packet, Subscribe):
            subscribed = found.setdefault(trace.connection, {})
            subscribed |= {one.filter: one.qos for one in trace.packet.subscriptions}
    return found


def _takes_orders(topic_filter: str) -> bool:
    last = topic_filter.rpartition("/")[2]
    return last in ("job-order", "+", "#")
