"""The live feed (server-sent events): every client gets the newest, none can make the others wait.

A client has one slot for each kind of event, and the newest wins: what is not yet sent is never queued. The
map is not even kept in a slot: a client knows how many points it has, and is sent those that follow.
A client that takes nothing is cut off by the connection's own timer (`rigmon.web.server`).
"""

import asyncio
import json
from collections.abc import Callable
from contextlib import suppress
from typing import Any, Final, NamedTuple
from urllib.parse import parse_qs

from starlette.types import Receive, Send

_HEADERS: Final = [
    (b"content-type", b"text/event-stream; charset=utf-8"),
    (b"cache-control", b"no-store"),
    (b"x-accel-buffering", b"no"),
]
#: kinds in the order in which they are sent when several wait
KINDS: Final = ("beat", "now", "status", "track")
#: points of the map in one event: a phone draws them at once, and other events get in between
_POINTS: Final = 2000


def encode(data: object) -> bytes:
    """One JSON text, without line ends."""
    return json.dumps(data, separators=(",", ":"), allow_nan=False).encode()


class Asked(NamedTuple):
    """What a client wants to follow, and what it has of the map."""

    kinds: frozenset[str]
    epoch: int
    points: int


class Client:
    """One that follows the feed: what it is still to be sent."""

    __slots__ = ("address", "epoch", "kinds", "points", "slots", "track", "wake")

    def __init__(self, asked: Asked, address: str) -> None:
        self.kinds = asked.kinds
        self.address = address
        self.slots: dict[str, bytes] = {}
        self.wake = asyncio.Event()
        self.epoch, self.points = asked.epoch, asked.points  # of the map, that it has
        self.track = "track" in self.kinds  # there may be more of it

    def put(self, kind: str, data: bytes) -> None:
        if kind in self.kinds:
            self.slots[kind] = data
            self.wake.set()


class Fanout:
    """All that follow. `points(epoch, n, most)` gives the map from the n-th point on."""

    def __init__(self, most: int, points: Callable[[int, int, int], dict[str, Any]]) -> None:
        self.clients: set[Client] = set()
        self.refused = 0
        self._ended = False
        self._most = most
        self._points = points

    def publish(self, kind: str, data: bytes) -> None:
        """To every client; an older one of the same kind that still waits is gone."""
        for client in self.clients:
            client.put(kind, data)

    def more_track(self) -> None:
        """The map has grown: each client is sent what it lacks, with what else it is sent."""
        for client in self.clients:
            client.track = "track" in client.kinds

    def end(self) -> None:
        """Let everybody go: the server ends."""
        self._ended = True
        for client in self.clients:
            client.wake.set()

    def join(self, asked: Asked, address: str = "") -> Client | None:
        """A new client; None: there are too many, or too many of one address.

        Of this board itself there may be as many as there may be at all: a tunnel's clients all come from it.
        """
        of_one = sum(client.address == address for client in self.clients)
        most_of_one = self._most if _is_loopback(address) else max(3, self._most // 3)
        if len(self.clients) >= self._most or of_one >= most_of_one:
            self.refused += 1
            return None
        client = Client(asked, address)
        self.clients.add(client)
        return client

    async def serve(self, client: Client, receive: Receive, send: Send, first: dict[str, bytes]) -> None:
        """Send events until the client is gone."""
        gone = asyncio.ensure_future(_gone(receive, client))
        try:
            await send({"type": "http.response.start", "status": 200, "headers": _HEADERS})
            # what is missing comes back by itself after a second
            await send({"type": "http.response.body", "body": b"retry: 1000\n\n", "more_body": True})
            for kind, data in first.items():
                client.put(kind, data)
            client.wake.set()
            while not (gone.done() or self._ended):
                await client.wake.wait()
                client.wake.clear()
                body = self._take(client)
                while body and not gone.done():
                    await send({"type": "http.response.body", "body": body, "more_body": True})
                    body = self._take(client)
            await send({"type": "http.response.body", "body": b"", "more_body": False})
        finally:
            self.clients.discard(client)
            gone.cancel()
            with suppress(asyncio.CancelledError):
                await gone

    def _take(self, client: Client) -> bytes:
        """The next that is to be sent; empty: nothing."""
        slots, body = client.slots, b""
        for kind in KINDS[:-1]:
            if kind in slots:
                body += b"event: " + kind.encode() + b"\ndata: " + slots.pop(kind) + b"\n\n"
        if client.track and not body:
            client.track = False
            track = self._points(client.epoch, client.points, _POINTS)
            sent = track["from"] + len(track["points"]) // 3
            client.track = sent < track["n"]
            client.epoch, client.points = track["epoch"], sent
            body = b"event: track\ndata: " + encode(track) + b"\n\n"
        return body


def _is_loopback(address: str) -> bool:
    return address in ("", "::1", "::ffff:127.0.0.1") or address.startswith("127.")


async def _gone(receive: Receive, client: Client) -> None:
    while (await receive())["type"] != "http.disconnect":
        pass
    client.wake.set()


def asked_for(query_string: bytes) -> Asked:
    """What a client asks for: ?only=now,status&epoch=E&from=N. Nonsense asks for nothing in particular."""
    query = parse_qs(query_string.decode("latin-1")[:200])

    def number(name: str) -> int:
        text = query.get(name, ["0"])[0]
        return int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else 0

    named = frozenset(query.get("only", [""])[0].split(",")) & frozenset(KINDS)
    return Asked(named | {"beat"} if named else frozenset(KINDS), number("epoch"), number("from"))
