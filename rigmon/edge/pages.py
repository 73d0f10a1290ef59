"""The link to the pages' process: what the core makes goes to it, what people do on a page comes back.

The pages run in a process of their own, so that nobody who looks at them can hold up the core or fill its
memory. Lines of JSON go over a pair of sockets; the child ends when its end is closed, however this process
ended. Sending never waits: a child that does not keep up misses lines and gets the state as it is instead.
"""

import json
import select
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from importlib.util import find_spec
from typing import Any, Final, Protocol

from rigmon.edge.hub import Hub
from rigmon.errors import UsageError
from rigmon.live.state import LiveState, to_wire
from rigmon.model import Note, Output, Source
from rigmon.rig import Rig

#: what may wait here when the kernel's buffer is full; then lines are left out
_WAITING_BYTES: Final = 128_000
#: a line from the child is one act
_LONGEST_LINE: Final = 64_000
#: a child that takes nothing for so long is ended and started again
_STUCK_S: Final = 30.0
_SHORTEST_PAUSE_S: Final = 0.5
_LONGEST_PAUSE_S: Final = 60.0
#: a child that ran for so long was well: what ends it then is told again
_WELL_S: Final = 60.0
#: how long the child may take to end by itself
_ENDS_S: Final = 2.0

CHILD: Final = (sys.executable, "-m", "rigmon.web.child")

_to_json: Final = json.JSONEncoder(separators=(",", ":"), allow_nan=False).encode


#: HTTP status of what became of an act
_STATUS: Final = {"done": 200, "refused": 409, "invalid": 422, "busy": 503}


class Answer(Protocol):
    """What became of an act; see `rigmon.edge.acts`."""

    @property
    def outcome(self) -> str:
        """done, refused, invalid or busy."""

    def to_json(self) -> dict[str, Any]: ...


class Desk(Protocol):
    """Where acts are judged and put into the run; see `rigmon.edge.acts`."""

    def ask(self, request: object) -> Answer: ...

    def choices(self) -> list[dict[str, Any]]: ...


class PagesLink:
    """A feedback whose display is a process with a web server. A dead one is started again, ever later.

    `publish` and its like are for the daemon's loop; acts are taken on a thread of the link's own.
    """

    def __init__(
        self,
        rig: Rig,
        rig_toml: str,
        hub: Hub,
        desk: Desk | None = None,
        *,
        records: Sequence[str] = (),
        command: Sequence[str] = CHILD,
        monotonic_s: Callable[[], float] = time.monotonic,
    ) -> None:
        """`desk` takes the acts; without one none is done. `records`: the calibration records in use, as
        JSON texts. `command` starts the child.
        """
        self.trouble: str | None = None  #: none costs the other feedbacks anything: the pages come back
        self.skipped = 0  #: batches that the child could not be given
        self.starts = 0
        self._hello = {"k": "hello", "rig_toml": rig_toml, "records": [json.loads(text) for text in records]}
        self._target = rig.target
        self._hub = hub
        self._desk = desk
        self._command = list(command)
        self._monotonic_s = monotonic_s
        self._lock = threading.Lock()
        self._state = LiveState(rig)
        self._socket: socket.socket | None = None
        self._waiting = bytearray()
        self._behind = False
        self._moved_s = 0.0  # when the child last took something, or had nothing to take
        self._child: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()
        self._thread: threading.Thread | None = None

    # -- the daemon's loop -----------------------------------------------------------------------------

    def start(self) -> None:
        """Start the thread, which starts the child."""
        self._stopping.clear()
        self._thread = threading.Thread(target=self._run, name="pages", daemon=True)
        self._thread.start()

    def publish(self, outputs: Sequence[Output]) -> None:
        """Hand on what the core made. Returns at once."""
        wire = to_wire(outputs)
        if not wire:
            return
        with self._lock:
            self._state.take(outputs)
            self._send({"k": "o", "o": wire})

    def began(self, run: str, outputs: Sequence[Output] = ()) -> None:
        """A run has begun; `outputs` are what the core made of the readings before that belong to it."""
        with self._lock:
            self._state.begin(run, outputs=outputs)
            self._send({"k": "begin", "run": run, "o": to_wire(outputs)})

    def ended(self) -> None:
        """The run has ended."""
        with self._lock:
            self._state.end()
            self._send({"k": "end"})

    def use(self, rig: Rig) -> None:
        """The target was changed."""
        with self._lock:
            self._target = rig.target
            self._send({"k": "target", "target": asdict(rig.target)})

    def tell(self, t_ns: int, text: str) -> None:
        """Pages show states, no lines."""

    def stop(self) -> None:
        """End the child and the thread."""
        self._stopping.set()
        with self._lock:
            self._hang_up()
        if self._thread is not None:
            self._thread.join(2 * _ENDS_S)
            self._thread = None

    # -- sending, with the lock held -------------------------------------------------------------------

    def _send(self, message: dict[str, Any]) -> None:
        """Hand one line to the kernel, or keep it for the next time, or leave it out."""
        if self._socket is None:
            return  # whoever comes gets the state
        self._flush()
        if self._waiting and len(self._waiting) >= _WAITING_BYTES:
            self._behind = True
            self.skipped += 1
            return
        if self._behind:
            if self._waiting:
                self.skipped += 1
                return
            self._behind = False
            message = {"k": "state", "state": self._state.to_json(), "skipped": self.skipped}
        self._waiting += _to_json(message).encode() + b"\n"
        self._flush()

    def _flush(self) -> None:
        sock = self._socket
        try:
            while self._waiting and sock is not None:
                sent = sock.send(self._waiting, socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)
                del self._waiting[:sent]
                self._moved_s = self._monotonic_s()
        except BlockingIOError:
            return
        except OSError:  # it is gone: the thread sees that too, and sees to it
            self._hang_up()
            return
        self._moved_s = self._monotonic_s()

    def _hang_up(self) -> None:
        if self._socket is not None:
            with suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)
            self._socket = None
        self._waiting.clear()
        self._behind = False

    # -- the thread ------------------------------------------------------------------------------------

    def _run(self) -> None:
        pause_s = _SHORTEST_PAUSE_S
        while not self._stopping.is_set():
            started_s = self._monotonic_s()
            why = self._one_child()
            if self._stopping.is_set():
                return
            if self._monotonic_s() - started_s > _WELL_S:
                pause_s = _SHORTEST_PAUSE_S
            if pause_s < _LONGEST_PAUSE_S:  # then it has been said often enough
                self._note(f"the pages' process {why}; it is started again in {pause_s:g} s")
            self._stopping.wait(pause_s)
            pause_s = min(2 * pause_s, _LONGEST_PAUSE_S)

    def _note(self, text: str) -> None:
        self._hub.put(self._hub.clock.now_ns(), Source.HUB, Note(text))

    def _one_child(self) -> str:
        """One child from its start to its end. Returns how it ended."""
        ours, theirs = socket.socketpair()
        with ours:
            try:
                with theirs:
                    # in a group of its own: a Ctrl-C is the daemon's, which then ends it
                    child = subprocess.Popen(self._command, stdin=theirs.fileno(), process_group=0)
            except OSError as error:
                return f"could not be started: {error}"
            self.starts += 1
            with self._lock:
                self._child = child
                self._socket = None if self._stopping.is_set() else ours
                self._moved_s = self._monotonic_s()
                self._send({**self._hello, "target": asdict(self._target), "state": self._state.to_json()})
            why = self._read(ours)
            with self._lock:
                self._hang_up()
        return self._reap(child) + (f": {why}" if why else "")

    def _reap(self, child: subprocess.Popen[bytes]) -> str:
        try:
            code = child.wait(_ENDS_S)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()
            return "hung and was ended"
        return f"was ended by signal {-code}" if code < 0 else f"ended with exit code {code}"

    def _read(self, ours: socket.socket) -> str:
        """Take acts until the child hangs up. Returns what it did wrong, if anything."""
        buffer = b""
        while not self._stopping.is_set():
            if not select.select([ours], [], [], 1.0)[0]:
                with self._lock:
                    if self._waiting and self._monotonic_s() - self._moved_s > _STUCK_S:
                        return f"it took nothing for {_STUCK_S:g} s"
                continue
            try:
                data = ours.recv(65536)
            except OSError:
                return ""
            if not data:
                return ""
            *lines, buffer = (buffer + data).split(b"\n")
            if len(buffer) > _LONGEST_LINE:
                return "it sent a line without an end"
            for line in lines:
                self._answer(line)
        return ""

    def _answer(self, line: bytes) -> None:
        """Do what the child asks for, and say how it went."""
        try:
            request = json.loads(line)
            number, body = request["id"], request.get("act")
        except (ValueError, KeyError, TypeError, RecursionError):
            return  # no line of ours
        try:
            status, answer = self._judge(self._desk, "act" in request, body)
        except Exception as error:
            # a fault of ours in one act must not end the thread, and with it all acts and the next child
            self._note(f"an act on the pages went wrong inside rigmon: {type(error).__name__}: {error}")
            status, answer = 500, {"error": "that went wrong inside rigmon: look whether it was done"}
        with self._lock:
            self._send({"k": "answer", "id": number, "status": status, "answer": answer})

    def _judge(self, desk: Desk | None, is_act: bool, body: object) -> tuple[int, dict[str, Any]]:
        """(HTTP status, JSON answer) of an act, or the targets that may be chosen."""
        if desk is None:
            return 404, {"error": "nothing can be done here: no acts are taken in this run"}
        if is_act:
            done = desk.ask(body)
            return _STATUS.get(done.outcome, 500), done.to_json()
        try:
            return 200, {"targets": desk.choices()}
        except UsageError as error:
            return 500, {"error": str(error)}

    @property
    def child_pid(self) -> int | None:
        """The process id of the newest child; None: none was started."""
        child = self._child
        return None if child is None else child.pid


def extra_missing(*further: str) -> str | None:
    """What of the extra `web` is not installed; None: nothing. Loads none of it."""
    names = ("starlette", "uvicorn", "prometheus_client", *further)
    return ", ".join(name for name in names if not _installed(name)) or None


def _installed(name: str) -> bool:
    try:
        return find_spec(name) is not None
    except ImportError:
        return False


def check_pages(rig: Rig) -> None:
    """Raise UsageError where the pages cannot be served at all."""
    missing = extra_missing()
    if missing is not None:
        raise UsageError(
            f"the pages need {missing}, not installed here; install the extra: pip install 'rigmon[web]'"
        )
    if rig.mqtt.host is not None and not _installed("paho"):
        raise UsageError(
            f"mqtt.host = '{rig.mqtt.host}' needs paho-mqtt, not installed here; "
            "install the extra: pip install 'rigmon[web]'"
        )
