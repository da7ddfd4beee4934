"""The page's server over a real socket: who is let in, what is taken, and viewers who do not read."""

from __future__ import annotations

import asyncio
import http.client
import json
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from conformance.page.server.broadcaster import MOST_VIEWERS, Broadcaster
from conformance.page.server.live_model import LivePage
from conformance.page.server.server import Served, serve
from protocol.site_file import scenario
from protocol.trouble import Trouble
from tests.page.said import CRANE, Bus
from tests.page.test_orders import Noting

PATIENCE_S = 20


class Clock:
    """The time of the page, moved by hand."""

    def __init__(self) -> None:
        self.us = 1_500_000

    def __call__(self) -> int:
        return self.us


@contextmanager
def serving(desk: Noting | None = None, **options: Any) -> Iterator[tuple[Served, LivePage]]:
    page = LivePage(scenario(), "a test", Clock())
    with serve(page, desk=desk, owner=None if desk is None else lambda work: work(), **options) as served:
        yield served, page


@pytest.fixture(scope="module")
def desk() -> Noting:
    return Noting()


@pytest.fixture(scope="module")
def served(desk: Noting) -> Iterator[Served]:
    with serving(desk) as (found, _):
        yield found


def ask(
    served: Served, method: str = "GET", path: str | None = None, body: bytes | None = None, **headers: str
) -> tuple[int, str, dict[str, str]]:
    """Status, text and headers; `path` is after the token, with a slash first for one without token."""
    connection = http.client.HTTPConnection(served.host, served.port, timeout=PATIENCE_S)
    whole = path if path is not None and path.startswith("/") else f"/{served.token}/{path or ''}"
    connection.putrequest(method, whole, skip_host=True, skip_accept_encoding=True)
    for name, value in ({"host": f"127.0.0.1:{served.port}"} | headers).items():
        if value:
            connection.putheader(name.replace("_", "-"), value)
    if body is not None:
        connection.putheader("content-length", str(len(body)))
    connection.endheaders(body)
    answer = connection.getresponse()
    text = answer.read().decode()
    connection.close()
    return answer.status, text, {name.lower(): value for name, value in answer.getheaders()}


def order(served: Served, asked: object, **headers: str) -> tuple[int, str]:
    body = asked if isinstance(asked, bytes) else json.dumps(asked).encode()
    own: dict[str, Any] = {"origin": f"http://127.0.0.1:{served.port}", "content-type": "application/json"}
    status, text, _ = ask(served, "POST", "order", body, **(own | headers))
    return status, text


HOLD = {"do": "hold", "node": "all"}
FILES = [
    "", "page.css", "goals.js", "withdrawn.js", "page.js", "orders.js", "yard.js", "messages.js", "start.js",
    "icon.svg",
]  # fmt: skip


# ---------------------------------------------------------------- who is let in
@pytest.mark.parametrize("path", FILES)
def test_the_whole_address_opens_it(served: Served, path: str) -> None:
    status, text, headers = ask(served, path=path)
    assert (status, bool(text)) == (200, True)
    assert "default-src 'none'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", [*FILES, "stream", "order"])
def test_nothing_is_given_without_the_token(served: Served, path: str) -> None:
    for wrong in ("", "x", served.token[:-1], served.token + "x"):
        status, text, headers = ask(served, path=f"/{wrong}/{path}")
        assert status == 404
        assert served.token not in text
        assert "harlow" not in text
        assert "default-src 'none'" in headers["content-security-policy"]
    assert ask(served, path="/")[0] == 404


@pytest.mark.parametrize(
    "host", ["evil.example", "evil.example:{port}", "127.0.0.1", "127.0.0.1:1", "localhost.:{port}", ""]
)
@pytest.mark.parametrize("path", [*FILES, "stream"])
def test_another_host_is_refused(served: Served, host: str, path: str) -> None:
    """A name of another site that points here (DNS rebinding)."""
    status, text, _ = ask(served, path=path, host=host.format(port=served.port))
    assert status in (400, 421)  # Without any Host the HTTP library refuses by itself: RFC 9112 section 3.2.
    assert "harlow" not in text


@pytest.mark.parametrize("name", ["localhost", "127.0.0.1", "[::1]"])
def test_the_names_of_loopback_are_ours(served: Served, name: str) -> None:
    assert ask(served, host=f"{name}:{served.port}")[0] == 200


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "https://127.0.0.1:{port}", "http://127.0.0.1:1", ""]
)
def test_an_order_from_another_origin_is_refused(served: Served, desk: Noting, origin: str) -> None:
    desk.asked.clear()
    status, _ = order(served, HOLD, origin=origin.format(port=served.port))
    assert status == 403
    assert desk.asked == []


@pytest.mark.parametrize("path", [*FILES, "stream"])
def test_looking_from_another_origin_is_refused(served: Served, path: str) -> None:
    assert ask(served, path=path, origin="http://evil.example")[0] == 403


def test_an_order_with_a_wrong_token_is_refused(served: Served, desk: Noting) -> None:
    desk.asked.clear()
    own: dict[str, Any] = {"origin": f"http://127.0.0.1:{served.port}", "content-type": "application/json"}
    assert ask(served, "POST", "/x/order", json.dumps(HOLD).encode(), **own)[0] == 404
    assert desk.asked == []


def test_an_order_is_sent_by_post_alone(served: Served, desk: Noting) -> None:
    desk.asked.clear()
    for method in ("GET", "PUT", "DELETE", "HEAD"):
        assert ask(served, method, "order", origin=f"http://127.0.0.1:{served.port}")[0] == 405
    assert desk.asked == []


def test_a_websocket_gets_nothing(served: Served) -> None:
    upgrade: dict[str, Any] = {
        "connection": "Upgrade",
        "upgrade": "websocket",
        "sec-websocket-version": "13",
        "sec-websocket-key": "x" * 22 + "==",
    }
    assert ask(served, path="/x/stream", **upgrade)[0] == 404


# ---------------------------------------------------------------- what is taken
def test_an_order_reaches_the_desk(served: Served, desk: Noting) -> None:
    desk.asked.clear()
    assert order(served, HOLD) == (200, '{"refused":null}')
    assert order(served, {"do": "order", "node": "north", "act": "park"}) == (200, '{"refused":"busy"}')
    assert desk.asked == [("hold", "all"), ("north", "park", {})]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b"7",
        b"\xff",
        b"[" * 4000,
        b" " * 5000,
        b'{"do":"dance"}',
        b'{"do":"hold","node":"x"}',
    ],
)
def test_what_is_no_order_is_refused_in_words(served: Served, desk: Noting, body: bytes) -> None:
    desk.asked.clear()
    status, text = order(served, body)
    assert status == 400
    assert json.loads(text)["refused"]
    assert desk.asked == []


def test_a_form_is_no_order(served: Served, desk: Noting) -> None:
    """What another site's form can send without asking first, by the Fetch standard."""
    desk.asked.clear()
    for kind in ("text/plain", "application/x-www-form-urlencoded", ""):
        assert order(served, HOLD, **{"content-type": kind})[0] == 400
    assert desk.asked == []


def test_a_page_without_a_desk_takes_no_order() -> None:
    with serving() as (served, _):
        status, text = order(served, HOLD)
        assert status == 403
        assert "only watches" in text
        sheet = ask(served)[1]
        assert 'id="orders"' not in sheet
        assert "<button" not in sheet


# ---------------------------------------------------------------- the stream
class Viewer:
    """Reads server-sent events from a socket."""

    def __init__(self, served: Served) -> None:
        self._sock = socket.create_connection((served.host, served.port), PATIENCE_S)
        request = f"GET /{served.token}/stream HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n"
        self._file = self._sock.makefile("rb")
        self._sock.sendall(request.encode())

    def next(self) -> dict[str, Any]:
        while True:
            line = self._file.readline()
            assert line, "the stream ended"
            if line.startswith(b"data: "):
                found: dict[str, Any] = json.loads(line[6:])
                return found

    def status(self) -> int:
        return int(self._file.readline().split()[1])

    def rest(self) -> bytes:
        return self._file.read()

    def close(self) -> None:
        self._file.close()
        self._sock.close()


class Crane:
    """Says where crane north is."""

    def __init__(self, page: LivePage) -> None:
        self._bus = Bus(up=False)
        self._bus.yard = page  # type: ignore[assignment]  # both take what is heard

    def says(self, at: int) -> None:
        axes = [[at, at, True], [0, 0, True], [0, 0, True]]
        self._bus.say("north", "crane-status", 1.0 + at / 1000, **{**CRANE, "axes": axes})


def crane_at(said: dict[str, Any]) -> float:
    return float(said["set"].get("crane/north", {}).get("at", [-1])[0])


def test_first_everything_then_what_changed() -> None:
    with serving() as (served, page):
        viewer = Viewer(served)
        first = viewer.next()
        assert first["all"]
        assert {"bus", "crane/north", "place/siding", "node/yard"} <= first["set"].keys()
        Crane(page).says(1)
        while "crane/north" not in (told := viewer.next())["set"]:
            pass
        assert not told["all"]
        assert "place/siding" not in told["set"]
        assert "trouble/north/not-heard" in told["gone"]
        viewer.close()


def test_a_viewer_that_does_not_read_gets_the_newest_and_no_backlog() -> None:
    """While it looks away the other one is told step by step; then it is told the last step alone."""

    async def look() -> None:
        page = LivePage(scenario(), "a test", Clock())
        broadcaster, crane = Broadcaster(page, None), Crane(page)
        running = asyncio.create_task(broadcaster.run())
        lazy, keen = broadcaster.view(), broadcaster.view()
        for viewer in (lazy, keen):
            await anext(viewer)
        for at in range(1, 5):
            crane.says(at)
            while crane_at(json.loads((await anext(keen))[6:])) != at:
                pass
        assert crane_at(json.loads((await anext(lazy))[6:])) == 4
        running.cancel()
        broadcaster.close()

    asyncio.run(asyncio.wait_for(look(), PATIENCE_S))


def test_viewers_are_bounded_and_let_go() -> None:
    with serving() as (served, _):
        viewers = [Viewer(served) for _ in range(MOST_VIEWERS)]
        for viewer in viewers:
            viewer.next()
        one_more = Viewer(served)
        assert one_more.status() == 503
        one_more.close()
        for viewer in viewers:
            viewer.close()
        # Whoever has left makes room, as soon as the server has noticed.
        for _ in range(200):
            again = Viewer(served)
            status = again.status()
            again.close()
            if status == 200:
                break
        assert status == 200


def test_the_end_of_the_server_ends_the_streams() -> None:
    with serving() as (served, _):
        viewer = Viewer(served)
        viewer.next()
    viewer.rest()
    viewer.close()
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection((served.host, served.port), 1).close()


# ---------------------------------------------------------------- where it listens
def test_a_port_that_is_taken_is_told(served: Served) -> None:
    with pytest.raises(Trouble, match="in use"), serving(port=served.port):
        pass


def test_it_listens_on_loopback_unless_told_in_words() -> None:
    with pytest.raises(Trouble, match="nobody asked for that"), serving(host="192.0.2.1"):
        pass
    with pytest.raises(Trouble, match="all addresses"), serving(host="0.0.0.0", open_to_network=True):
        pass


def test_ipv6_loopback() -> None:
    with serving(host="::1") as (served, _):
        assert served.url.startswith("http://[::1]:")
        assert ask(served, host=f"[::1]:{served.port}")[0] == 200


def test_no_two_pages_have_the_same_token() -> None:
    with serving() as (one, _), serving() as (other, _):
        assert one.token != other.token
        assert len(one.token) >= 22  # 128 bits in base64.
