"""uvicorn with limits: how many connections, how long a request may take, how long a client may not read."""

import asyncio
import errno
import socket
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from typing import Any, Final

import uvicorn
from starlette.types import ASGIApp
from uvicorn.protocols.http.h11_impl import H11Protocol

from rigmon.errors import UsageError
from rigmon.rig import Web
from rigmon.web.guard import LONGEST_HEAD
from rigmon.web.show import Show

#: a request must be here, body and all, in so long
REQUEST_S: Final = 10.0
#: a client that takes nothing for so long is cut off
STALLED_S: Final = 10.0
#: bytes that may wait for a client here, and in the kernel
_WAITING_BYTES: Final = 32_768
_KERNEL_BYTES: Final = 65_536
#: connections beside those of the feed's clients
_SPARE: Final = 32


class CarefulProtocol(H11Protocol):
    """One connection. Cuts it off (abort, not close: nothing waits for it) when it breaks a limit."""

    most: int = 64  #: connections; set by `server_for`
    most_of_one: int = 48  #: from one address
    _request_timer: asyncio.TimerHandle | None = None
    _stall_timer: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        address = self.client[0] if self.client else ""
        others = (getattr(other, "client", None) for other in self.connections)
        of_one = sum(1 for other in others if other is not None and other[0] == address)
        if len(self.connections) > self.most or of_one > self.most_of_one:
            transport.abort()
            return
        sock = transport.get_extra_info("socket")
        if sock is not None:
            with suppress(OSError):
                # else megabytes of old news wait in the kernel for a slow client
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _KERNEL_BYTES)
                sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        transport.set_write_buffer_limits(high=_WAITING_BYTES)
        self._await_request()

    def connection_lost(self, exc: Exception | None) -> None:
        self._stop("_request_timer")
        self._stop("_stall_timer")
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        super().data_received(data)
        cycle = self.cycle
        if cycle is not None and not cycle.more_body and not cycle.response_complete:
            self._stop("_request_timer")  # it is all here; what follows is another's turn
        elif self._request_timer is None and not self.transport.is_closing():
            self._await_request()

    def on_response_complete(self) -> None:
        if self.cycle is not None and not self.cycle.more_body:
            self._stop("_request_timer")
        super().on_response_complete()

    def pause_writing(self) -> None:
        super().pause_writing()
        self._stop("_stall_timer")
        self._stall_timer = self.loop.call_later(STALLED_S, self.transport.abort)

    def resume_writing(self) -> None:
        self._stop("_stall_timer")
        super().resume_writing()

    def _await_request(self) -> None:
        self._request_timer = self.loop.call_later(REQUEST_S, self.transport.abort)

    def _stop(self, name: str) -> None:
        timer: asyncio.TimerHandle | None = getattr(self, name)
        if timer is not None:
            timer.cancel()
            setattr(self, name, None)


class PagesServer(uvicorn.Server):
    """Lets those who follow the feed go when it ends, and leaves signals to whoever started it."""

    def __init__(self, config: uvicorn.Config, ending: Callable[[], None]) -> None:
        super().__init__(config)
        self._ending = ending

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._ending()
        await super().shutdown(sockets)

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        yield


def listen(web: Web) -> socket.socket:
    """A socket that listens where the rig file says. Raises UsageError when it cannot."""
    family = socket.AF_INET6 if ":" in web.address else socket.AF_INET
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        sock.bind((web.address, web.port))
        sock.listen(64)
    except OSError as error:
        sock.close()
        where = f"the pages cannot be served at {web.address} port {web.port}"
        if error.errno == errno.EADDRINUSE:
            raise UsageError(f"{where}: another program has it; give another web.port") from error
        if error.errno == errno.EADDRNOTAVAIL:
            raise UsageError(f"{where}: no network has this address now; see web.address") from error
        raise UsageError(f"{where}: {error.strerror}") from error
    sock.setblocking(False)
    return sock


def server_for(app: ASGIApp, show: Show, max_clients: int) -> PagesServer:
    """A server of `app`, which serves `show`. It runs until its `should_exit` is set."""
    limits: dict[str, Any] = {"most": max_clients + _SPARE, "most_of_one": max_clients + _SPARE // 2}
    config = uvicorn.Config(
        app,
        http=type("Protocol", (CarefulProtocol,), limits),
        ws="none",
        loop="asyncio",
        lifespan="off",
        interface="asgi3",
        log_config=None,
        log_level="error",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        timeout_keep_alive=5,
        timeout_graceful_shutdown=1,
        h11_max_incomplete_event_size=LONGEST_HEAD,
    )
    return PagesServer(config, show.fanout.end)
