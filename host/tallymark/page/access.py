"""Who may use the page: this computer's browser, with the token of the address.

The token stands behind the # of the address, which a browser sends to nobody; the page's own script
puts it into a header of each request, and into the first message of a WebSocket. So no cookie, and
no request that another web page could make, opens anything. `Host` has to be this server's address,
against names that are made to point at it, and `Origin`, if a browser names one, this server.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Mapping
from dataclasses import dataclass

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

TOKEN_HEADER = "x-tallymark-token"
_ROLE = "tallymark.role"
_POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "frame-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
REPORT_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'self'; sandbox"
)
"""Of a check's report, which carries its style inside and has no script."""
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cache-control": "no-store",
}


def new_token() -> str:
    """A token that can't be guessed."""
    return secrets.token_urlsafe(24)


def is_token(given: str, token: str) -> bool:
    """Whether somebody knows the token; takes equally long whatever is wrong."""
    return hmac.compare_digest(given.encode(), token.encode())


@dataclass(frozen=True)
class Role:
    """What a token opens. boxes: by their numbers; None: all, and the person may open further ones.
    teacher: sees and sets what is hidden from a class."""

    boxes: tuple[int, ...] | None
    teacher: bool = False

    @property
    def adds_boxes(self) -> bool:
        """Whether the person may open further boxes."""
        return self.boxes is None

    def of(self, numbers: tuple[int, ...]) -> tuple[int, ...]:
        """Those of the boxes of the page that the token opens."""
        return numbers if self.boxes is None else self.boxes


def role_by_token(given: str, roles: Mapping[str, Role]) -> Role | None:
    """What a token opens; None: nothing."""
    found = None
    for token, role in roles.items():  # all of them: see `is_token`
        if is_token(given, token):
            found = role
    return found


def role_of(request: Request) -> Role:
    """What the token of a request opens."""
    role: Role = request.scope[_ROLE]
    return role


class Access:
    """ASGI middleware: turns away whoever may not use the page, before anything else happens.

    hosts: the values of `Host` that are this server, in lower case. roles: by token. What lies
    under `/api/` needs a token; the page's own files are no secret, and a WebSocket brings it in
    its first message.
    """

    def __init__(self, app: ASGIApp, hosts: frozenset[str], roles: Mapping[str, Role]) -> None:
        self._app = app
        self._hosts = hosts
        self._origins = frozenset(f"http://{host}" for host in hosts)
        self._roles = roles

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """See ASGI."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        problem = self._problem(scope)
        if scope["type"] == "websocket":
            if problem:
                await send({"type": "websocket.close", "code": 1008, "reason": problem[1]})
                return
            await self._app(scope, receive, send)
            return

        async def with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        if problem:
            refusal = JSONResponse({"error": problem[1]}, problem[0])
            await refusal(scope, receive, with_headers)
            return
        await self._app(scope, receive, with_headers)

    def _problem(self, scope: Scope) -> tuple[int, str] | None:
        """Status and sentence for whoever is turned away."""
        headers = Headers(scope=scope)
        if len(headers.getlist("host")) != 1 or headers["host"].lower() not in self._hosts:
            return 421, "This server answers to its own address only. Use the printed address."
        origin = headers.get("origin")
        if origin is None and scope["type"] == "websocket":
            return 403, "A WebSocket without an origin is not taken."
        if origin is not None and origin.lower() not in self._origins:
            return 403, "Another web page may not use this server."
        if scope["type"] == "http" and scope["path"].startswith("/api/"):
            role = role_by_token(headers.get(TOKEN_HEADER, ""), self._roles)
            scope[_ROLE] = role
            if role is None:
                return 401, "The token is missing or wrong. Use the printed address."
        return None
