"""The page over HTTP, on loopback unless told otherwise, on a thread of its own beside whatever owns the desk."""

from __future__ import annotations

import asyncio
import json
import secrets
import socket
import threading
from collections.abc import AsyncIterator, Iterable, Iterator, Sequence
from contextlib import asynccontextmanager, contextmanager, suppress
from dataclasses import dataclass
from typing import Any

import uvicorn
from anyio import to_thread
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import Route

from conformance.bench.network import is_loopback, listening_trouble, require_loopback
from conformance.page.server.access import AccessCheck
from conformance.page.server.assets import files
from conformance.page.server.broadcaster import MOST_VIEWERS, Broadcaster
from conformance.page.server.desk import Desk, Owner, Unanswered
from conformance.page.server.live_model import LivePage
from conformance.page.server.order_forms import InvalidRequest
from conformance.page.server.requests import RequestHandler
from conformance.page.server.saved_orders import SavedOrder
from protocol.trouble import Trouble
from protocol.wire.fail_stop import task

MOST_BODY = 4096
"""Bytes of a request: an order takes a few hundred."""
STOP_S = 5.0
LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class Served:
    """A page that is being served: `url` opens it, token and all."""

    url: str
    host: str
    port: int
    token: str


@contextmanager
def serve(
    page: LivePage,
    host: str = "127.0.0.1",
    port: int = 0,
    *,
    open_to_network: bool = False,
    desk: Desk | None = None,
    owner: Owner | None = None,
    saved: Iterable[SavedOrder] = (),
) -> Iterator[Served]:
    """Serve `page` until the block ends; `port` 0 takes a free one. Raises Trouble.

    With a desk there are buttons for orders; each call of the desk is handed to `owner`, which has it done on
    the thread that owns the desk. `saved` orders are offered by their names. Leave the block before that thread ends.
    """
    require_loopback(host, open_to_network=open_to_network)
    _require_one_address(host)
    if (desk is None) is not (owner is None):
        raise ValueError("a desk needs an owner, and an owner a desk")
    request_handler = (
        RequestHandler(page.site, desk, owner) if desk is not None and owner is not None else None
    )
    sock = _listen(host, port)
    port = sock.getsockname()[1]
    token = secrets.token_urlsafe(16)
    server, broadcaster = _server(page, request_handler, token, _names(host, port), tuple(saved))

    def run() -> None:
        server.run([sock])
        if not server.should_exit:
            raise RuntimeError("the page's server has ended by itself")

    thread = threading.Thread(target=run, name="page's server", daemon=True)
    thread.start()
    try:
        yield Served(f"http://{_bracketed(host)}:{port}/{token}/", host, port, token)
    finally:
        broadcaster.close()
        server.should_exit = True
        thread.join(STOP_S)
        sock.close()


def _server(
    page: LivePage,
    request_handler: RequestHandler | None,
    token: str,
    hosts: list[str],
    saved: Sequence[SavedOrder],
) -> tuple[uvicorn.Server, Broadcaster]:
    broadcaster = Broadcaster(page, request_handler)
    app = AccessCheck(_app(page, request_handler, broadcaster, saved), token, hosts)
    config = uvicorn.Config(
        app, http="h11", ws="none", lifespan="on", log_config=None, log_level="error", access_log=False,
        server_header=False, date_header=False, timeout_graceful_shutdown=1,
    )  # fmt: skip
    return uvicorn.Server(config), broadcaster


def _app(
    page: LivePage,
    request_handler: RequestHandler | None,
    broadcaster: Broadcaster,
    saved: Sequence[SavedOrder],
) -> Starlette:
    @asynccontextmanager
    async def alive(_app: Starlette) -> AsyncIterator[None]:
        running = task(broadcaster.run())
        yield
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running

    async def stream(request: Request) -> Response:
        if broadcaster.viewers >= MOST_VIEWERS:
            return PlainTextResponse("Too many tabs are open on this page.\n", 503)
        return StreamingResponse(broadcaster.view(_chosen(request)), media_type="text/event-stream")

    async def order(request: Request) -> Response:
        if request_handler is None:
            return _refused("this page only watches: nothing can be ordered from it", 403)
        try:
            asked = await _asked(request)
            if asked.get("look") is True:
                found = await to_thread.run_sync(request_handler.review, asked)
                return JSONResponse({"refused": found.refused, "will": found.will, "blocked": found.blocked})
            return JSONResponse({"refused": await to_thread.run_sync(request_handler.do, asked)})
        except InvalidRequest as error:
            return _refused(str(error), 400)
        except Unanswered as error:
            return _refused(f"the desk does not answer: {error}", 503)

    routes = [Route("/stream", stream), Route("/order", order, methods=["POST"])]
    for name, (kind, text) in files(
        page, request_handler.offers.values() if request_handler is not None else None, saved
    ).items():
        routes.append(Route(f"/{name}", _file(kind, text)))
    return Starlette(routes=routes, lifespan=alive)


def _chosen(request: Request) -> tuple[str, str]:
    """The node and the message that a viewer wants to see alone; a name that nobody has shows nothing."""
    node, message = (request.query_params.get(name, "")[:LONGEST_NAME] for name in ("node", "message"))
    return node, message


def _file(kind: str, text: str) -> Any:
    async def send(_request: Request) -> Response:
        return Response(text, media_type=kind)

    return send


def _refused(why: str, status: int) -> Response:
    return JSONResponse({"refused": why}, status)


async def _asked(request: Request) -> dict[str, Any]:
    """The JSON object of a request. Raises InvalidRequest."""
    if request.headers.get("content-type", "").partition(";")[0] != "application/json":
        raise InvalidRequest("an order is sent as application/json")
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > MOST_BODY:
            raise InvalidRequest(f"an order has at most {MOST_BODY} bytes")
    try:
        asked = json.loads(body)
    except (ValueError, RecursionError):
        raise InvalidRequest("not JSON") from None
    if not isinstance(asked, dict):
        raise InvalidRequest("an order is a JSON object")
    return asked


# ---------------------------------------------------------------- where it listens
def _listen(host: str, port: int) -> socket.socket:
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        sock = socket.socket(family)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((host, port))
        sock.listen()
    except OSError as error:
        sock.close()
        raise listening_trouble(host, port, error) from error
    return sock


def _require_one_address(host: str) -> None:
    """Without one name of its own the page could not tell that it is spoken to by that name."""
    if host in ("", "0.0.0.0", "::"):
        fix = "Name the one address under which it is to be found, such as 192.168.1.5"
        raise Trouble("a page is not served on all addresses at once", where=f"--bind {host}", fix=fix)


def _names(host: str, port: int) -> list[str]:
    """What a browser may call us: by loopback's names on loopback, else by the address alone."""
    names = ["127.0.0.1", "localhost", "[::1]"] if is_loopback(host) else []
    return [f"{name}:{port}" for name in dict.fromkeys([*names, _bracketed(host)])]


def _bracketed(host: str) -> str:
    return f"[{host}]" if ":" in host else host
