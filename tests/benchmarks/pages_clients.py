"""Clients of the pages' feed: python -m tests.benchmarks.pages_clients PORT COUNT TIMES

Follows the feed with so many connections until the server ends it, says READY when each has had its first
event, and then writes TIMES, a JSON list of [monotonic ns when it came, the sample's stamp in s].
"""

import json
import selectors
import socket
import sys
import time
from pathlib import Path


def main(port: int, count: int, times_path: Path) -> None:
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
        for key, _ in watched.select():
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
                            print("READY", flush=True)
    times_path.write_text(json.dumps(times), encoding="ascii")


if __name__ == "__main__":
    main(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))
