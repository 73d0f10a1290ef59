"""The pages' process. Its standard input is the link: lines of JSON from the daemon, acts back to it.

It ends when the daemon's end of the link is closed, however the daemon ended.
"""

import asyncio
import json
import os
import secrets
import signal
import socket
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import Any, Final

from rigmon import config
from rigmon.errors import UsageError
from rigmon.live.board import Board
from rigmon.live.state import from_wire
from rigmon.rig import Target
from rigmon.web.app import build
from rigmon.web.guard import host_names
from rigmon.web.pairing import CodeFile, Pairing, code_folders
from rigmon.web.past import recall
from rigmon.web.runs import Runs, routes
from rigmon.web.server import listen, server_for
from rigmon.web.show import Show
from rigmon.web.stream import encode

#: a rig file may be 1 MB long, and JSON makes it longer
_LONGEST_LINE: Final = 8_000_000
#: the daemon answers an act at once; a person should not wait for one that hangs
_PATIENCE_S: Final = 3.0
#: what a client may say of a map's epoch has nine digits at most
_EPOCHS: Final = 900_000_000
#: acts that wait for their answer
_ACTS: Final = 16


class Link:
    """The child's end. Feeds the show, and takes acts to the daemon."""

    def __init__(self, show: Show, writer: asyncio.StreamWriter) -> None:
        self._show = show
        self._writer = writer
        self._waiting: dict[int, asyncio.Future[tuple[int, dict[str, Any]]]] = {}
        self._number = 0
        self._samples: list[list[Any]] = []
        self._flushing = False

    async def read(self, reader: asyncio.StreamReader) -> None:
        """Take lines until the daemon hangs up."""
        while line := await reader.readline():
            self.line(line)

    def line(self, data: bytes) -> None:
        """One line from the daemon."""
        message = json.loads(data)
        kind = message["k"]
        show = self._show
        if kind == "o":
            # a burst is shown once, as it ends
            self._samples += message["o"]
            if not self._flushing:
                self._flushing = True
                asyncio.get_running_loop().call_soon(self._flush)
            return
        self._flush()
        if kind == "begin":
            show.board.begin(message["run"], outputs=from_wire(message["o"]))
            show.changed()
        elif kind == "end":
            show.board.end()
            show.changed()
        elif kind == "state":
            show.skipped = message.get("skipped", 0)
            show.board.restore(message["state"])
            show.take(())
            show.changed()
        elif kind == "answer":
            future = self._waiting.pop(message["id"], None)
            if future is not None and not future.done():
                future.set_result((message["status"], message["answer"]))
        elif kind == "target":
            show.board.use(replace(show.board.rig, target=Target(**message["target"])))
            show.changed()

    def _flush(self) -> None:
        self._flushing = False
        if self._samples:
            items, self._samples = self._samples, []
            self._show.take(from_wire(items))

    async def act(self, body: object) -> tuple[int, dict[str, Any]]:
        """Take an act to the daemon and wait for its answer: (HTTP status, JSON)."""
        return await self._ask({"act": body})

    async def targets(self) -> tuple[int, dict[str, Any]]:
        """The targets in the calibration book: (HTTP status, {"targets": [...]})."""
        return await self._ask({"choices": True})

    async def _ask(self, request: dict[str, Any]) -> tuple[int, dict[str, Any]]:
        if len(self._waiting) >= _ACTS or self._writer.transport.get_write_buffer_size() > 65536:
            return 503, {"error": "too much is being done at once: try again"}
        self._number += 1
        number = self._number
        line = encode({"id": number, **request}) + b"\n"
        future = self._waiting[number] = asyncio.get_running_loop().create_future()
        try:
            self._writer.write(line)
            return await asyncio.wait_for(future, _PATIENCE_S)
        except TimeoutError:
            return 504, {"error": "rigmon did not answer: look whether it was done before doing it again"}
        finally:
            self._waiting.pop(number, None)


async def _serve(link_socket: socket.socket) -> int:
    reader, writer = await asyncio.open_connection(sock=link_socket, limit=_LONGEST_LINE)
    hello = json.loads(await reader.readline() or b"{}")
    if hello.get("k") != "hello":
        raise UsageError("this is started by 'rigmon run --pages' alone")
    rig = config.parse(hello["rig_toml"], "the rig file", calibrated=False)
    rig = replace(rig, target=Target(**hello["target"]))
    board = Board(rig)
    # a page that followed another process must not take its map for the same
    board.track.epoch = secrets.randbelow(_EPOCHS)
    board.records = hello["records"]
    board.restore(hello["state"])
    show = Show(board, rig.web.max_clients)
    show.connected = True
    if board.state.sample is not None:
        show.take(())
    listening = listen(rig.web)
    code_file = CodeFile(code_folders()[0], rig.web.address, rig.web.port)
    link = Link(show, writer)
    loop = asyncio.get_running_loop()

    def write_code(code: str) -> None:
        try:
            code_file.write(code)
        except OSError as error:
            _say(f"rigmon: the pairing code cannot be kept in {code_file.path}: {error}")

    pairing = Pairing(write_code)
    runs = Runs(Path(rig.runs_folder), rig.units, lambda: show.board.state.run)
    app = build(show, host_names(rig.web.hosts), pairing, link, routes(runs))
    server = server_for(app, show, rig.web.max_clients)
    publisher = None
    if rig.mqtt.host is not None:
        from rigmon.web.mqtt import Publisher

        try:
            publisher = Publisher(rig.mqtt)
        except UsageError as error:
            _say(f"rigmon: nothing is published to the broker: {error}")
        else:
            show.others.append(publisher)
            publisher.start()
    beats = loop.create_task(show.run())
    past = loop.create_task(recall(show, Path(rig.runs_folder)))
    serving = loop.create_task(server.serve(sockets=[listening]))
    feeding = loop.create_task(link.read(reader))
    loop.add_signal_handler(signal.SIGTERM, feeding.cancel)
    writer.write(encode({"ready": rig.web.port}) + b"\n")
    try:
        await asyncio.wait({serving, feeding}, return_when=asyncio.FIRST_COMPLETED)
    finally:
        show.connected = False
        code_file.remove()
        beats.cancel()
        past.cancel()
        if publisher is not None:
            publisher.stop()
        server.should_exit = True
        await runs.end()
        await asyncio.wait({serving}, timeout=2)
    if feeding.done() and not feeding.cancelled():
        feeding.result()
    return 0


def _give_way() -> None:
    """Where processor or memory are short, the core and the run log come first."""
    with suppress(OSError):
        os.nice(2)
    with suppress(OSError), open("/proc/self/oom_score_adj", "w", encoding="ascii") as file:
        file.write("500")


def _say(text: str) -> None:
    """For the person, or the journal."""
    sys.stderr.write(f"{text}\n")
    sys.stderr.flush()


def main(arguments: Sequence[str] = ()) -> int:
    """Serve until the link is closed. Returns the exit code."""
    if arguments:
        _say("rigmon.web.child: takes no arguments")
        return 2
    _give_way()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a Ctrl-C is the daemon's; then the link is closed
    try:
        link_socket = socket.socket(fileno=os.dup(0))
        return asyncio.run(_serve(link_socket))
    except UsageError as error:
        _say(f"rigmon: {error}")
        return 2
    except OSError as error:
        _say(f"rigmon: the pages' process has no link to the daemon: {error}")
        return 2


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
