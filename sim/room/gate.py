"""What stands before the room: only this machine, only its own page, only who knows the token.

The server listens on 127.0.0.1. Every address holds a random token; the Host header must name this server, and an
Origin, where a browser sends one, must be its own, so that no page of the web can reach it through the browser. One
answer needs no token: the way back of `sim.room.way_back`, which tells nothing to who lacks its key.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Callable

from starlette.responses import JSONResponse, PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from sim.room.way_back import Answer

HOST = "127.0.0.1"
POLICY = (
    "default-src 'self'; connect-src 'self' {sockets}; img-src 'self' blob: data:; object-src 'none'; "
    "base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Cache-Control": "no-store", "X-Content-Type-Options": "nosniff", "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
}  # fmt: skip


def new_token() -> str:
    """A token that cannot be guessed: 32 random bytes, safe in an address."""
    return secrets.token_urlsafe(32)


class Gate:
    """What stands before the application: Host, Origin and token; every answer carries the policies.

    Arguments: `way_back` answers a page that lost its server, by its nonce, or None.
    Does not: tell a wrong token from a wrong path.
    """

    def __init__(
        self, app: ASGIApp, token: str, port: int, way_back: Callable[[str], Answer | None] | None = None
    ) -> None:
        self._app = app
        self._way_back = way_back
        self._token = token.encode()
        self._hosts = {f"{name}:{port}" for name in (HOST, "localhost")}
        self._origins = {f"http://{host}" for host in self._hosts}
        sockets = " ".join(f"ws://{host}" for host in sorted(self._hosts))
        self._headers = [
            (name.lower().encode(), value.encode())
            for name, value in {**HEADERS, "Content-Security-Policy": POLICY.format(sockets=sockets)}.items()
        ]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] in ("http.response.start", "websocket.http.response.start"):
                own = {name for name, _ in message.get("headers", [])}
                message["headers"] = [*message.get("headers", []), *(h for h in self._headers if h[0] not in own)]
            await send(message)

        status = self._refusal(scope)
        if status == 404 and scope["type"] == "http" and (found := self._found_back(scope)) is not None:
            await JSONResponse(found)(scope, receive, guarded)
            return
        if status:
            await _refuse(scope, receive, guarded, status)
            return
        _, _, rest = scope["path"].removeprefix("/").partition("/")
        await self._app({**scope, "path": f"/{rest}"}, receive, guarded)

    def _refusal(self, scope: Scope) -> int:
        """Status to refuse a request with, or 0."""
        headers = [(name, value.decode("latin-1")) for name, value in scope["headers"]]
        hosts = [value for name, value in headers if name == b"host"]
        origins = [value for name, value in headers if name == b"origin"]
        if len(hosts) != 1 or hosts[0].lower() not in self._hosts:
            return 403
        if any(origin.lower() not in self._origins for origin in origins):
            return 403
        head, slash, _ = scope["path"].removeprefix("/").partition("/")
        if not slash or not hmac.compare_digest(head.encode("utf-8", "surrogateescape"), self._token):
            return 404
        return 0

    def _found_back(self, scope: Scope) -> Answer | None:
        _, back, nonce = scope["path"].rpartition("/back/")
        asks = scope["method"] == "GET" and back and scope["path"] == f"/back/{nonce}"
        return self._way_back(nonce) if asks and self._way_back is not None else None


async def _refuse(scope: Scope, receive: Receive, send: Send, status: int) -> None:
    text = {403: "This address is not for this page.\n", 404: "There is nothing here.\n"}[status]
    if scope["type"] == "websocket":
        # Closed before it was accepted, a socket is refused with 403.
        await send({"type": "websocket.close", "code": 1008})
        return
    await PlainTextResponse(text, status)(scope, receive, send)
