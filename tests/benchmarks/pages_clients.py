"""Clients of the pages' feed: python -m tests.benchmarks.pages_clients PORT COUNT TIMES [PERIOD]

Follows the feed with so many connections until the server ends it, says READY when each has had its first
event, and then writes TIMES, a JSON list of [monotonic ns when it came, the sample's stamp in s].

With PERIOD they come for so many seconds, and are gone for as many, in turn; TIMES is then a JSON list of
[monotonic ns when all were there, when they were sent away].
"""

import json
import selectors
import socket
import sys
import time
from contextlib import suppress
from pathlib import Path


def main(port: int, count: int, times_path: Path, period_s: float | None = None) -> None:
    if period_s is None:
        times, _ = follow(port, count, None)
        times_path.write_text(json.dumps(times), encoding="ascii")
        return
    spans: list[tuple[int, int]] = []
    with suppress(OSError):  # the server has ended
        while True:
            _, span = follow(port, count, period_s)
            if span is None:
                break
            spans.append(span)
            time.sleep(period_s)
    times_path.write_text(json.dumps(spans), encoding="ascii")


def follow(
    port: int, count: int, for_s: float | None
) -> tuple[list[tuple[int, float]], tuple[int, int] | None]:
    """(each event's time and its sample's stamp, from when to when all were there). Until the server ends:
    then there is no such time; or for so long.
    """
    since_ns: int | None = None
    watched = selectors.DefaultSelector()
    rests: dict[socket.socket, bytes] = {}
    for _ in range(count):
        sock = socket.create_connection(("127.0.0.1", port), timeout=30.0)
        sock.sendall(f"GET /feed HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\n\r\n".encode())
        sock.setblocking(False)
        watched.register(sock, selectors.EVENT_READ)
        rests[sock] = b""
    waiting = set(rests)
    times: list[tuple[int, float]] = []
    while rests:
        if for_s is not None and since_ns is not None and time.monotonic_ns() - since_ns > for_s * 1e9:
            for sock in rests:
                sock.close()
            return times, (since_ns, time.monotonic_ns())
        for key, _ in watched.select(0.1):
            sock = key.fileobj
            assert isinstance(sock, socket.socket)
            data = sock.recv(1 << 20)
            now_ns = time.monotonic_ns()
            if not data:
                watched.unregister(sock)
                del rests[sock]
                continue
            *lines, rests[sock] = (rests[sock] + data).split(b"\n")
            for kind, line in zip([b"", *lines], lines, strict=False):
                if kind == b"event: now" and line.startswith(b"data: "):
                    t_s = json.loads(line[6:])["t_s"]
                    if t_s is not None:
                        times.append((now_ns, t_s))
                    if sock in waiting:
                        waiting.discard(sock)
                        if not waiting:
                            since_ns = now_ns
                            print("READY", flush=True)
    return times, None


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]), *map(float, sys.argv[4:5]))
