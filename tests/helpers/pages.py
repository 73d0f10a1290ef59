"""The pages' real process, fed by a test as the daemon feeds it, and clients of it, well-behaved and raw."""

import asyncio
import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from starlette.routing import BaseRoute

from rigmon import config
from rigmon.live.state import LiveState, to_wire
from rigmon.model import Output
from rigmon.rig import Web
from rigmon.web.app import Desk, build
from rigmon.web.guard import host_names
from rigmon.web.pairing import Pairing
from rigmon.web.server import listen, server_for
from rigmon.web.show import Show

#: whatever a loaded machine needs; nothing waits for it when all is well
PATIENCE_S: Final = 30.0


def free_port() -> int:
    with socket.socket() as sock:
        sock.bind(("127.0.0.1", 0))
        port: int = sock.getsockname()[1]
        return port


class Child:
    """The pages' process. `send` and `answer` are the daemon's side of the link."""

    def __init__(self, rig_toml: str, runtime: Path, **hello: Any) -> None:
        rig = config.parse(rig_toml, "rig.toml")
        self.port = rig.web.port
        ours, theirs = socket.socketpair()
        environment = {name: value for name, value in os.environ.items() if name != "RUNTIME_DIRECTORY"}
        self.errors = runtime / "stderr"
        with theirs, self.errors.open("wb") as errors:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "rigmon.web.child"],
                stdin=theirs.fileno(),
                stderr=errors,
                env={**environment, "XDG_RUNTIME_DIR": str(runtime)},
                process_group=0,
            )
        self.link = ours
        self.link.settimeout(PATIENCE_S)
        self._lines = ours.makefile("rb")
        self.send(
            {
                "k": "hello",
                "rig_toml": rig_toml,
                "records": [],
                "target": asdict(rig.target),
                "state": LiveState(rig).to_json(),
                **hello,
            }
        )
        self.code_file = runtime / "rigmon" / f"pair-{self.port}.json"

    def ready(self) -> "Child":
        """Wait until it listens."""
        assert self.line() == {"ready": self.port}
        return self

    def send(self, message: dict[str, Any]) -> None:
        self.link.sendall(json.dumps(message).encode() + b"\n")

    def publish(self, *outputs: Output) -> None:
        self.send({"k": "o", "o": to_wire(outputs)})

    def line(self) -> Any:
        """The next line that it sends; None: it hung up."""
        line = self._lines.readline()
        return json.loads(line) if line else None

    def code(self) -> str:
        code: str = json.loads(self.code_file.read_text())["code"]
        return code

    def hang_up(self) -> int:
        """End the link as a daemon's end does. Returns the exit code."""
        self._lines.close()
        self.link.close()
        return self.process.wait(PATIENCE_S)

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGKILL)
            self.process.wait()
        self._lines.close()
        self.link.close()

    # -- clients ---------------------------------------------------------------------------------------

    def request(
        self, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None
    ) -> "Response":
        """One request with exactly these headers (and Host, unless given)."""
        return request(self.port, method, path, body, headers)

    def get(self, path: str, **headers: str) -> "Response":
        return self.request("GET", path, None, headers)

    def post(self, path: str, data: Any, cookie: str | None = None, **headers: str) -> "Response":
        return post(self.port, path, data, cookie, **headers)

    def pair(self) -> str:
        """Pair as a person does; returns the cookie."""
        answer = self.post("/api/pair", {"code": self.code()})
        assert answer.status == 200, answer
        return answer.headers["set-cookie"].partition(";")[0]

    def raw(self, data: bytes = b"", receive_bytes: int | None = None) -> socket.socket:
        return connect(self.port, data, receive_bytes)


class Served:
    """The same server in a thread of this process, for tests that set its limits."""

    def __init__(
        self,
        show: Show,
        max_clients: int = 4,
        *,
        pairing: Pairing | None = None,
        desk: Desk | None = None,
        further: Sequence[BaseRoute] = (),
    ) -> None:
        self.show, self.port = show, free_port()
        app = build(show, host_names(()), pairing, desk, further)
        self._server = server_for(app, show, max_clients)
        self._listening = listen(Web(port=self.port))
        self.loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._run)
        self._thread.start()

    def _run(self) -> None:
        asyncio.set_event_loop(self.loop)
        beats = self.loop.create_task(self.show.run())
        self.loop.run_until_complete(self._server.serve(sockets=[self._listening]))
        beats.cancel()
        self.loop.run_until_complete(asyncio.gather(beats, return_exceptions=True))
        self.loop.close()

    def call(self, function: Callable[[], Any]) -> Any:
        """Do something on the server's thread and wait for it."""

        async def there() -> Any:
            return function()

        return asyncio.run_coroutine_threadsafe(there(), self.loop).result(PATIENCE_S)

    def connections(self) -> set[Any]:
        """Those that the server has now; on its thread."""
        return self._server.server_state.connections

    def connect(self, data: bytes = b"", receive_bytes: int | None = None) -> socket.socket:
        return connect(self.port, data, receive_bytes)

    def close(self) -> None:
        self._server.should_exit = True
        self._thread.join(PATIENCE_S)


def request(
    port: int, method: str, path: str, body: bytes | None = None, headers: dict[str, str] | None = None
) -> "Response":
    """One request with exactly these headers (and Host, unless given)."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=PATIENCE_S)
    try:
        connection.request(method, path, body, headers or {})
        answer = connection.getresponse()
        return Response(answer.status, dict(answer.headers.items()), answer.read())
    finally:
        connection.close()


def post(port: int, path: str, data: Any, cookie: str | None = None, **headers: str) -> "Response":
    """As the page's own script posts: JSON, with the Origin that a browser adds."""
    own = {
        "Content-Type": "application/json",
        "Origin": f"http://127.0.0.1:{port}",
        **({} if cookie is None else {"Cookie": cookie}),
        **headers,
    }
    body = data if isinstance(data, bytes) else json.dumps(data).encode()
    return request(port, "POST", path, body, own)


def connect(port: int, data: bytes = b"", receive_bytes: int | None = None) -> socket.socket:
    """A bare connection that has sent `data`; `receive_bytes` makes its own buffer small."""
    sock = socket.socket()
    if receive_bytes is not None:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
    sock.settimeout(PATIENCE_S)
    sock.connect(("127.0.0.1", port))
    sock.sendall(data)
    return sock


class Response:
    def __init__(self, status: int, headers: dict[str, str], body: bytes) -> None:
        self.status, self.body = status, body
        self.headers = {name.lower(): value for name, value in headers.items()}

    def json(self) -> Any:
        return json.loads(self.body)

    def __repr__(self) -> str:
        return f"{self.status} {self.body[:200]!r}"


@contextmanager
def child(rig_toml: str, runtime: Path, **hello: Any) -> Iterator[Child]:
    """A child that listens."""
    running = Child(rig_toml, runtime, **hello)
    try:
        yield running.ready()
    finally:
        running.close()


class Feed:
    """One that follows the feed."""

    def __init__(self, port: int, query: str = "") -> None:
        self.sock = socket.create_connection(("127.0.0.1", port), timeout=PATIENCE_S)
        self.sock.sendall(f"GET /feed{query} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        self._file = self.sock.makefile("rb")
        self.status = int(self._file.readline().split()[1])
        self.headers = dict(self._headers())

    def _headers(self) -> Iterator[tuple[str, str]]:
        while (line := self._file.readline().decode("latin-1").strip()) != "":
            name, _, value = line.partition(":")
            yield name.lower(), value.strip()

    def events(self) -> Iterator[tuple[str, Any]]:
        """(kind, data) of each event, until the connection ends."""
        kind, buffer = "", b""
        while size := self._file.readline().strip():  # chunked: RFC 9112, 7.1
            buffer += self._file.read(int(size, 16))
            self._file.readline()
            *lines, buffer = buffer.split(b"\n")
            for line in lines:
                if line.startswith(b"event: "):
                    kind = line[7:].decode()
                elif line.startswith(b"data: "):
                    yield kind, json.loads(line[6:])

    def first(self, kind: str, where: Any = lambda data: True) -> Any:  # noqa: ARG005
        """The data of the next event of a kind for which `where` holds."""
        return next(data for name, data in self.events() if name == kind and where(data))

    def close(self) -> None:
        self._file.close()
        self.sock.close()
