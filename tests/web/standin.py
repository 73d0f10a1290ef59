"""A server that speaks the pages' feed and does what a test says: silence, errors, an end, another version.

It serves the files that are shipped, under the same policy for content, and only what the test sends.
"""

import json
import mimetypes
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from queue import Empty, SimpleQueue
from typing import Any, Final
from urllib.parse import urlsplit

from rigmon import web

STATIC: Final = web.__path__[0] + "/static"
POLICY: Final = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; media-src 'self'; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
BEAT_S: Final = 0.25


class StandIn:
    """State of the stand-in: change it at any time."""

    def __init__(self, page: str = "driver.html", port: int = 0) -> None:
        self.page = page
        self.software = "1"
        self._message: Mapping[str, Any] | None = None
        #: None: the newest reading's age is the message's
        self.age_ms: float | None = None
        self.connected = True
        self.mute = False  #: nothing at all is sent, the connections stay
        self.refuse = False  #: the feed answers 503
        self.pace_s = 0.1  #: the message is sent again and again, as a rig's samples come
        self.opened = 0
        self.asked: list[str] = []
        #: events that a stalled network holds back: they belong to the connections of then
        self._held: dict[SimpleQueue[str | None], list[str]] = {}
        self.stall = False
        self._sent_s = time.monotonic()
        self._clients: set[SimpleQueue[str | None]] = set()
        self._sending = threading.Lock()
        self._done = threading.Event()
        self._server = ThreadingHTTPServer(("127.0.0.1", port), self._handler())
        self._server.daemon_threads = True
        self.port = self._server.server_address[1]
        self.url = f"http://127.0.0.1:{self.port}/"
        self._threads = [
            threading.Thread(target=self._server.serve_forever, args=(0.02,), daemon=True),
            threading.Thread(target=self._pace, daemon=True),
        ]
        for thread in self._threads:
            thread.start()

    @property
    def message(self) -> Mapping[str, Any] | None:
        """What is sent again and again; set, it is sent at once."""
        return self._message

    @message.setter
    def message(self, message: Mapping[str, Any]) -> None:
        self._message = message
        if not self.mute:
            self._sent_s = time.monotonic()
            self.send("now", message)

    def send(self, event: str, data: Mapping[str, Any]) -> None:
        self._out(f"event: {event}\ndata: {json.dumps(data)}\n\n")

    def settle(self) -> None:
        """Returns when what was being sent is under way: of `mute` and `message` only the newest count."""
        with self._sending:
            pass

    def drop(self) -> None:
        """End every feed, as a network does."""
        for client in list(self._clients):
            client.put(None)

    def stop(self) -> None:
        self._done.set()
        self.drop()
        self._server.shutdown()
        self._server.server_close()
        for thread in self._threads:
            thread.join()

    def _out(self, text: str) -> None:
        for client in list(self._clients):
            held = self._held.setdefault(client, [])
            held.append(text)
            if not self.stall:
                while held:
                    client.put(held.pop(0))

    def _pace(self) -> None:
        beat_s = message_s = time.monotonic()
        while not self._done.wait(0.01):
            at_s = time.monotonic()
            with self._sending:
                beat_s, message_s = self._due(at_s, beat_s, message_s)

    def _due(self, at_s: float, beat_s: float, message_s: float) -> tuple[float, float]:
        if not self.mute:
            if at_s >= message_s and self.message is not None:
                message_s = max(message_s + self.pace_s, at_s - self.pace_s)
                self._sent_s = at_s
                self.send("now", self.message)
            if at_s >= beat_s:
                beat_s = max(beat_s + BEAT_S, at_s - BEAT_S)
                self.send("beat", self.beat())
        return beat_s, message_s

    def beat(self) -> dict[str, Any]:
        age_ms = 1000 * (time.monotonic() - self._sent_s) if self.age_ms is None else self.age_ms
        return {"age_ms": age_ms, "connected": self.connected, "software": self.software}

    def _first(self) -> Iterator[str]:
        if self.message is not None:
            yield f"event: now\ndata: {json.dumps(self.message)}\n\n"
        yield f"event: beat\ndata: {json.dumps(self.beat())}\n\n"

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        rig = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                path = urlsplit(self.path).path
                rig.asked.append(self.path)
                if path == "/feed":
                    self._feed()
                elif path == "/":
                    self._file(rig.page)
                else:
                    self._file(path.removeprefix("/static/"))

            def _file(self, name: str) -> None:
                try:
                    with open(f"{STATIC}/{name}", "rb") as file:
                        data = file.read()
                except OSError:
                    self.send_error(404)
                    return
                self._head(mimetypes.guess_type(name)[0] or "application/octet-stream", len(data))
                self.wfile.write(data)

            def _head(self, kind: str, length: int | None = None) -> None:
                self.send_response(200)
                self.send_header("Content-Type", kind)
                self.send_header("Content-Security-Policy", POLICY)
                self.send_header("X-Content-Type-Options", "nosniff")
                self.send_header("Cache-Control", "no-store")
                if length is not None:
                    self.send_header("Content-Length", str(length))
                self.end_headers()

            def _feed(self) -> None:
                rig.opened += 1
                if rig.refuse:
                    self.send_error(503)
                    return
                self._head("text/event-stream")
                mine: SimpleQueue[str | None] = SimpleQueue()
                rig._clients.add(mine)
                try:
                    if not rig.mute and not rig.stall:
                        for text in rig._first():
                            self.wfile.write(text.encode())
                    while not rig._done.is_set():
                        try:
                            text = mine.get(timeout=0.5)
                        except Empty:
                            continue
                        if text is None:
                            return
                        self.wfile.write(text.encode())
                except OSError:
                    pass  # the page has gone
                finally:
                    rig._clients.discard(mine)

            def log_message(self, *_: object) -> None:
                pass

        return Handler


@contextmanager
def stand_in(page: str = "driver.html", port: int = 0) -> Iterator[StandIn]:
    server = StandIn(page, port)
    try:
        yield server
    finally:
        server.stop()
