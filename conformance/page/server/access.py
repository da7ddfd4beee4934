"""Who may talk to the page: only its own browser tab, with the token, by the name that it was given.

- Host: a name of our own, else another site has pointed its name at this machine (DNS rebinding).
- Origin: where a browser gives one, our own; an order must have one, so no other site's page can send one.
- Token: 128 random bits in the path of everything.
"""

from __future__ import annotations

from collections.abc import Iterable
from secrets import compare_digest

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from protocol.wire.fail_stop import fail

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "referrer-policy": "same-origin",
    "x-content-type-options": "nosniff",
    "cache-control": "no-store",
}


class AccessCheck:
    """An ASGI application around another one: lets in what belongs, with the token cut off the path."""

    def __init__(self, inner: ASGIApp, token: str, hosts: Iterable[str]) -> None:
        """`hosts` are the values of a Host header that are ours, port and all."""
        self._inner = inner
        self._token = token
        self._hosts = frozenset(hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request, or hand on what is no request."""
        if scope["type"] == "lifespan":
            await self._inner(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=message["headers"])
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        token, _, rest = str(scope["path"]).removeprefix("/").partition("/")
        refusal = self._refusal(scope, token)
        if refusal is not None:
            await refusal(scope, receive, with_headers)
            return
        inside = dict(scope, path=f"/{rest}", raw_path=f"/{rest}".encode())
        try:
            await self._inner(inside, receive, with_headers)
        except ClientDisconnect:
            return  # A browser that leaves in the middle is no fault.
        except Exception as error:
            fail(error)
            raise

    def _refusal(self, scope: Scope, token: str) -> PlainTextResponse | None:
        headers = Headers(scope=scope)
        host, origin = headers.get("host", ""), headers.get("origin")
        if host not in self._hosts:
            return PlainTextResponse("This page goes by another name.\n", 421)  # RFC 9110 section 15.5.20
        if (
            origin != f"http://{host}"
            if scope["method"] == "POST"
            else origin not in (None, f"http://{host}")
        ):
            return PlainTextResponse("This page takes nothing from other sites.\n", 403)
        if not compare_digest(token.encode(), self._token.encode()):
            return PlainTextResponse("Use the whole address that the command printed.\n", 404)
        return None
