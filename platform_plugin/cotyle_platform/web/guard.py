"""Who may talk to the viewer: the right address, the right page, the right token; everything else is turned away.

A case is patient data, and the page can change a plan. So the server answers only requests that name it by its own
address (a page elsewhere cannot reach it by a name that points here), that come from its own page, and that carry the
token of this start. The token comes once in the link; from then on a cookie that scripts cannot read holds it.
"""

from __future__ import annotations

import ipaddress
import secrets
from collections.abc import Awaitable, Callable
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from aiohttp import web
from cotyle.errors import InputError

LOOPBACK = "127.0.0.1"
TOKEN_BYTES = 32

Handler = Callable[[web.Request], Awaitable[web.StreamResponse]]


@dataclass(frozen=True)
class Caller:
    """What a request says of itself: Host and Origin headers, and the tokens in its link and cookie."""

    host: str
    origin: str | None
    link_token: str | None
    cookie_token: str | None


@dataclass(frozen=True)
class Guard:
    """Address and token of one start of the server."""

    address: str
    port: int
    token: str

    @property
    def hosts(self) -> tuple[str, ...]:
        """Host headers that mean this server."""
        names = (LOOPBACK, "localhost") if self.address == LOOPBACK else (_in_link(self.address),)
        return tuple(f"{name}:{self.port}" for name in names)

    @property
    def link(self) -> str:
        """The page with its token."""
        return f"http://{self.hosts[0]}/?{urlencode({'secret': self.token})}"

    @property
    def page(self) -> str:
        """Where the page lies, with what its script must know."""
        return "/index.html?" + urlencode({"secret": self.token, "sessionURL": f"ws://{self.hosts[0]}/ws"})

    @property
    def cookie(self) -> str:
        """Name of the cookie; cookies of one machine are shared by its ports."""
        return f"cotyle-{self.port}"

    def refusal(self, caller: Caller) -> str | None:
        """Return why a request is turned away, in one line; None where it may pass."""
        if caller.host not in self.hosts:
            return "This viewer answers only to its own address."
        if caller.origin is not None and caller.origin not in {f"http://{host}" for host in self.hosts}:
            return "This viewer answers only to its own page."
        if not any(_same(each, self.token) for each in (caller.link_token, caller.cookie_token)):
            return "This link's token is not that of the running viewer. Open the link that 'cotyle view' printed."
        return None


def new_token() -> str:
    """Return a token that cannot be guessed."""
    return secrets.token_urlsafe(TOKEN_BYTES)


def checked_address(address: str | None) -> str:
    """Return the address to listen on: this machine alone, or the one address that was named.

    Raises
    ------
    InputError
        ``address`` if it is no single address of a network interface.
    """
    if address is None:
        return LOOPBACK
    try:
        given = ipaddress.ip_address(address)
    except ValueError:
        raise InputError(
            "address", f"{address!r} is no network address", "Name the address of this machine, such as 192.168.1.20"
        ) from None
    if given.is_unspecified or given.is_multicast:
        raise InputError(
            "address", f"{address} means every network at once", "Name the one address of this machine to open"
        )
    return str(given)


def middleware(guard_of: Callable[[], Guard]) -> Any:
    """Return the step that every request passes before anything else sees it."""

    @web.middleware
    async def checked(request: web.Request, handler: Handler) -> web.StreamResponse:
        guard = guard_of()
        link_token = request.query.get("secret")
        caller = Caller(
            request.headers.get("Host", ""),
            request.headers.get("Origin"),
            link_token,
            request.cookies.get(guard.cookie),
        )
        refusal = guard.refusal(caller)
        if refusal is not None:
            return web.Response(status=403, text=refusal + "\n", headers=headers_for(guard))
        if request.path == "/" or (request.path == "/index.html" and link_token is None):
            # the page's script wants token and socket in its address; on a reload the cookie has just proved the token
            found = web.HTTPFound(guard.page, headers=headers_for(guard))
            found.set_cookie(guard.cookie, guard.token, httponly=True, samesite="Strict", path="/")
            raise found
        try:
            response = await handler(request)
        except web.HTTPException as error:
            error.headers.update(headers_for(guard))
            raise
        if not response.prepared:
            response.headers.update(headers_for(guard))
            if link_token is not None:
                response.set_cookie(guard.cookie, guard.token, httponly=True, samesite="Strict", path="/")
        return response

    return checked


def headers_for(guard: Guard) -> dict[str, str]:
    """Return headers that keep the page to itself: no frames, no outside content, no address passed on."""
    sockets = " ".join(f"ws://{host}" for host in guard.hosts)
    policy = (
        "default-src 'self'; script-src 'self' 'unsafe-inline' 'unsafe-eval'; style-src 'self' 'unsafe-inline'; "
        f"img-src 'self' blob: data:; font-src 'self' data:; connect-src 'self' blob: {sockets}; "
        "frame-ancestors 'none'; form-action 'none'; base-uri 'self'"
    )
    return {
        "Content-Security-Policy": policy,
        "X-Frame-Options": "DENY",
        "X-Content-Type-Options": "nosniff",
        "Referrer-Policy": "no-referrer",
        "Cross-Origin-Resource-Policy": "same-origin",
    }


def _same(given: str | None, token: str) -> bool:
    return given is not None and secrets.compare_digest(given.encode(), token.encode())


def _in_link(address: str) -> str:
    return f"[{address}]" if ":" in address else address
