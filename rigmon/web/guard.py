"""What every request must pass, and what every answer carries.

A page of somebody else's must not reach this server through a visitor's browser: names that are not this
board's are refused (DNS rebinding), what does something must come from this board's own page (cross-site
requests), and answers say to browsers what a page may load: nothing from elsewhere.
"""

import ipaddress
import socket
from collections.abc import Iterable
from typing import Final

from starlette.datastructures import Headers
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: request line and headers together may be so long, and a body
LONGEST_HEAD: Final = 16_384
LONGEST_BODY: Final = 4096

CSP: Final = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "connect-src 'self'",
        "img-src 'self' data:",
        "media-src 'self' data:",
        "font-src 'self'",
        "manifest-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS: Final = (
    (b"content-security-policy", CSP.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (
        b"permissions-policy",
        b"camera=(), microphone=(), geolocation=(), payment=(), usb=(), screen-wake-lock=(self)",
    ),
)


def host_names(further: Iterable[str]) -> frozenset[str]:
    """The names that this board is called by."""
    name = socket.gethostname().lower()
    return frozenset({"localhost", name, f"{name}.local", *further})


def host_allowed(host: str, names: frozenset[str], local: str | None) -> bool:
    """Whether a Host header names this board: one of `names`, or the address `local` it was reached at.

    Any port will do: a name that is ours leads nowhere else, whatever port somebody forwards.
    """
    name, _, port = host.rpartition(":") if host.rpartition(":")[2].isdecimal() else (host, "", "")
    if port and (not port.isascii() or int(port) > 65535):
        return False
    name = name.lower().removesuffix(".")
    if name in names:
        return True
    bracketed = name.startswith("[") and name.endswith("]")
    try:
        address = ipaddress.ip_address(name[1:-1] if bracketed else name)
        ours = ipaddress.ip_address((local or "").partition("%")[0])
    except ValueError:
        return False
    if bracketed != (address.version == 6):
        return False
    if isinstance(ours, ipaddress.IPv6Address) and ours.ipv4_mapped is not None:
        return address == ours.ipv4_mapped
    return address == ours


class Guard:
    """Around the whole app: refuses, and puts its headers on every answer, its own refusals included."""

    def __init__(self, app: ASGIApp, names: frozenset[str]) -> None:
        self._app = app
        self._names = names

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            return

        async def marked(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = list(message.get("headers", ()))
                names = {name for name, _ in given}
                # a report brings a policy of its own, which suits it
                ours = [header for header in HEADERS if header[0] not in names]
                message = {**message, "headers": [*given, *ours]}
                if b"cache-control" not in names:
                    message["headers"].append((b"cache-control", b"no-store"))
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            status, why = refusal
            answer = JSONResponse({"error": why}, status, headers={"connection": "close"})
            await answer(scope, receive, marked)
            return
        await self._app(scope, receive, marked)

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        size = len(scope.get("raw_path") or b"") + len(scope["query_string"])
        if size + sum(len(name) + len(value) for name, value in scope["headers"]) > LONGEST_HEAD:
            return 431, f"request line and headers may be {LONGEST_HEAD} bytes long"
        headers = Headers(scope=scope)
        hosts = headers.getlist("host")
        local = (scope.get("server") or (None,))[0]
        if len(hosts) != 1 or not host_allowed(hosts[0], self._names, local):
            return 421, "this name is not this board's: use its IP address, or add the name to web.hosts"
        method = scope["method"]
        if method in ("GET", "HEAD"):
            return None
        if method != "POST":
            return 405, "only GET and POST are answered"
        origin = headers.get("origin", "").lower()
        if origin not in (f"http://{hosts[0].lower()}", f"https://{hosts[0].lower()}"):
            return 403, "only this board's own pages may do anything: open them at the same address"
        if headers.get("content-type", "").partition(";")[0].strip().lower() != "application/json":
            return 415, "the body must be application/json"
        length = headers.get("content-length", "0")
        if not length.isdecimal() or len(length) > 9 or int(length) > LONGEST_BODY:
            return 413, f"the body may be {LONGEST_BODY} bytes long"
        return None


class TooLongError(Exception):
    """A body longer than `LONGEST_BODY`."""


async def read_body(receive: Receive) -> bytes:
    """The body of a request, in whatever pieces it comes. Raises TooLongError."""
    body = bytearray()
    while True:
        message = await receive()
        if message["type"] != "http.request":
            return bytes(body)
        body += message.get("body", b"")
        if len(body) > LONGEST_BODY:
            raise TooLongError
        if not message.get("more_body", False):
            return bytes(body)
