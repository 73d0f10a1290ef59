"""The feed: the newest for everybody, nothing piled up for anybody; and the real process under bad clients."""

# ruff: noqa: E501  (tables of cases read best one a line)

import asyncio
import json
import socket
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers import make_rig, rig_toml
from helpers.pages import Child, Feed, Served, child, free_port
from hypothesis import given
from hypothesis import strategies as st

sys.path.append(str(Path(__file__).parents[1] / "live"))
from samples import STANDING, at, sample

from rigmon.live.board import Board
from rigmon.model import Alert
from rigmon.web import server
from rigmon.web.show import Show
from rigmon.web.stream import KINDS, Asked, Fanout, asked_for, encode

EVERYTHING = Asked(frozenset(KINDS), 0, 0)


# -- without a network --------------------------------------------------------------------------------


class Reader:
    """An ASGI client: takes what is sent, when the test lets it."""

    def __init__(self) -> None:
        self.got: list[bytes] = []
        self.may = asyncio.Event()
        self.gone = asyncio.Event()

    async def receive(self) -> dict[str, Any]:
        await self.gone.wait()
        return {"type": "http.disconnect"}

    async def send(self, message: dict[str, Any]) -> None:
        await self.may.wait()
        self.got.append(message.get("body", b""))

    def events(self) -> list[tuple[str, Any]]:
        blocks = b"".join(self.got).decode().split("\n\n")
        found = []
        for block in blocks:
            if block.startswith("event: "):
                kind, data = block.split("\n", 1)
                found.append((kind[7:], json.loads(data[6:])))
        return found


async def _until(condition: Any) -> None:
    for _ in range(1000):
        if condition():
            return
        await asyncio.sleep(0)
    raise AssertionError("it never came")


def _no_points(epoch: int, n: int, most: int) -> dict[str, Any]:  # noqa: ARG001
    return {"epoch": 1, "from": 0, "n": 0, "points": []}


def test_the_newest_wins_and_nothing_is_piled_up() -> None:
    async def go() -> None:
        fanout = Fanout(2, _no_points)
        client = fanout.join(EVERYTHING)
        assert client is not None
        reader = Reader()
        task = asyncio.ensure_future(fanout.serve(client, reader.receive, reader.send, {}))  # type: ignore[arg-type]
        for n in range(10_000):
            fanout.publish("now", encode({"n": n}))
            fanout.publish("beat", encode({"b": n}))
            if n % 100 == 0:
                await asyncio.sleep(0)
        assert len(client.slots) <= 2
        reader.may.set()
        await _until(lambda: ("now", {"n": 9999}) in reader.events())
        assert len(reader.events()) <= 4
        reader.gone.set()
        fanout.publish("now", b"{}")
        await asyncio.wait_for(task, 5)
        assert fanout.clients == set()

    asyncio.run(go())


def test_there_is_room_for_so_many() -> None:
    async def go() -> None:
        fanout = Fanout(2, _no_points)
        assert fanout.join(EVERYTHING) is not None
        assert fanout.join(EVERYTHING) is not None
        assert fanout.join(EVERYTHING) is None
        assert fanout.refused == 1

    asyncio.run(go())


def test_one_device_cannot_take_every_place() -> None:
    async def go() -> None:
        fanout = Fanout(20, _no_points)
        taken = [fanout.join(EVERYTHING, "192.168.4.66") for _ in range(30)]
        assert sum(client is not None for client in taken) == 6  # a third
        assert fanout.join(EVERYTHING, "192.168.4.7") is not None
        tunnel = [fanout.join(EVERYTHING, address) for address in ("127.0.0.1", "::1") for _ in range(10)]
        assert sum(client is not None for client in tunnel) == 20 - 7

    asyncio.run(go())


def test_a_client_is_sent_what_of_the_map_it_lacks() -> None:
    async def go() -> None:
        show = Show(Board(make_rig()), 5)
        show.board.begin("a")
        for t in range(2000):  # a zigzag of many pieces
            show.board.take([at(2 * t, 4.0 * t, 5.0 * (t % 2))])
        points = len(show.board.track)
        assert points > 1500
        client = show.fanout.join(EVERYTHING)
        assert client is not None
        reader = Reader()
        reader.may.set()
        task = asyncio.ensure_future(show.fanout.serve(client, reader.receive, reader.send, show.first()))  # type: ignore[arg-type]
        await _until(lambda: sum(len(d["points"]) for k, d in reader.events() if k == "track") == 3 * points)
        tracks = [data for kind, data in reader.events() if kind == "track"]
        show.board.take([at(5000, 9000.0), at(5010, 9020.0), at(5020, 9040.0), at(5030, 9060.0)])
        show.changed()
        await _until(lambda: [k for k, _ in reader.events()].count("track") > len(tracks))
        more = [data for kind, data in reader.events() if kind == "track"][len(tracks) :]
        assert more[0]["from"] == points
        assert {data["epoch"] for data in [*tracks, *more]} == {show.board.track.epoch}
        reader.gone.set()
        await task

    asyncio.run(go())


@pytest.mark.parametrize(
    ("query", "asked"),
    [
        (b"", EVERYTHING),
        (b"only=now", Asked(frozenset({"now", "beat"}), 0, 0)),
        (b"only=status,track&epoch=3&from=17", Asked(frozenset({"status", "track", "beat"}), 3, 17)),
        (b"only=nonsense&epoch=-1&from=1e9", EVERYTHING),
        (b"epoch=99999999999999999999&from=0x1", EVERYTHING),
        (b"epoch=%D9%A3", EVERYTHING),
    ],
)
def test_what_is_asked_for(query: bytes, asked: Asked) -> None:
    assert asked_for(query) == asked


@given(st.binary(max_size=300))
def test_no_query_whatever_makes_it_fail(query: bytes) -> None:
    assert asked_for(query).kinds <= frozenset(KINDS)


def test_stale_once_a_sample_is_overdue_and_when_the_link_is_gone() -> None:
    now_s = [100.0]
    show = Show(Board(make_rig()), 1, monotonic_s=lambda: now_s[0])
    show.connected = True
    assert show.beat()["stale"] is True  # nothing is known yet
    show.take([sample(1.0)])
    show.take([sample(1.2)])
    assert (show.beat()["age_ms"], show.beat()["stale"]) == (0, False)
    now_s[0] += 1.19
    assert show.beat()["stale"] is False
    now_s[0] += 0.02
    assert show.beat() == {"age_ms": 1210, "connected": True, "stale": True, "software": show.software}
    show.take([sample(1.4)])
    show.connected = False
    assert show.beat()["stale"] is True


# -- the real process ---------------------------------------------------------------------------------


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Child]:
    toml = rig_toml() + f"\n[web]\nport = {free_port()}\nmax_clients = 4\n"
    with child(toml, tmp_path) as one:
        yield one


def test_a_sample_reaches_every_client(running: Child) -> None:
    feeds = [Feed(running.port) for _ in range(4)]
    for feed in feeds:
        assert (feed.status, feed.headers["content-type"]) == (200, "text/event-stream; charset=utf-8")
        assert feed.first("now")["t_s"] is None
    running.publish(sample(7.0))
    for feed in feeds:
        assert feed.first("now", lambda now: now["t_s"] == 7.0)["speed_m_s"] == 2.0
        feed.close()


def test_one_too_many_is_told_to_come_again(running: Child) -> None:
    feeds = [Feed(running.port) for _ in range(4)]
    for feed in feeds:
        feed.first("beat")
    assert Feed(running.port).status == 503
    feeds[0].close()
    for _ in range(1000):  # its place is free once the server has seen it go
        again = Feed(running.port)
        if again.status == 200:
            break
    assert again.first("beat")["connected"] is True


def test_beats_come_without_samples_and_say_how_old_all_is(running: Child) -> None:
    running.publish(sample(1.0))
    feed = Feed(running.port, "?only=now")
    feed.first("now", lambda now: now["t_s"] == 1.0)
    ages = [beat["age_ms"] for _, beat in (feed.first("beat") and ("", feed.first("beat")) for _ in range(4))]
    assert ages == sorted(ages)
    assert ages[-1] > ages[0]
    assert feed.first("beat", lambda beat: beat["stale"])["age_ms"] > 1000
    feed.close()


def test_an_alert_is_told_at_once(running: Child) -> None:
    feed = Feed(running.port, "?only=status")
    feed.first("status")
    running.publish(sample(1.0, **STANDING), Alert(1, "flow_silent", True, None, None, ""))
    status = feed.first("status", lambda status: status["alerts"])
    assert [alert["code"] for alert in status["alerts"]] == ["flow_silent"]
    assert status["may_act"] is True
    feed.close()


def test_a_new_run_and_its_end_are_told(running: Child) -> None:
    feed = Feed(running.port, "?only=status,track")
    running.send({"k": "begin", "run": "r1", "o": []})
    assert feed.first("status", lambda status: status["run"]["id"] == "r1")["run"]["state"] == "running"
    running.send({"k": "end"})
    assert feed.first("status", lambda status: status["run"]["id"] is None)["run"]["state"] == "between_runs"
    feed.close()


def test_another_target_is_told(running: Child) -> None:
    feed = Feed(running.port, "?only=status")
    running.send(
        {"k": "target", "target": {"rate_l_ha": 50.0, "speed_m_s": 3.0, "tolerance_pct": 5.0, "record": "x"}}
    )
    assert (
        feed.first("status", lambda status: status["target"]["record"] == "x")["target"]["rate_l_ha"] == 50.0
    )
    feed.close()


@pytest.fixture
def served(monkeypatch: pytest.MonkeyPatch) -> Iterator[Served]:
    """The server with limits of a fraction of a second."""
    monkeypatch.setattr(server, "REQUEST_S", 0.3)
    monkeypatch.setattr(server, "STALLED_S", 0.3)
    show = Show(Board(make_rig()), 4)
    show.connected = True
    one = Served(show)
    yield one
    one.close()


def test_a_client_that_never_reads_is_dropped_and_nobody_notices(served: Served) -> None:
    head = f"GET /feed HTTP/1.1\r\nHost: 127.0.0.1:{served.port}\r\n\r\n".encode()
    deaf = served.connect(head, receive_bytes=4096)
    feed = Feed(served.port, "?only=now")
    feed.first("beat")
    assert served.call(lambda: len(served.show.fanout.clients)) == 2
    n = 0
    while served.call(lambda: len(served.show.fanout.clients)) == 2:
        n += 1
        assert n < 1_000_000
        served.call(lambda: served.show.take([sample(float(n))]))  # noqa: B023
        assert feed.first("now", lambda now: now["t_s"] == float(n))["speed_m_s"] == 2.0  # noqa: B023
    waited = 0
    while data := deaf.recv(65536):
        waited += len(data)
    # what lay in its own and in the server's kernel buffers, and no more
    assert waited < 1_000_000
    feed.close()


def test_one_that_sends_its_request_drop_by_drop_is_cut_off(served: Served) -> None:
    """Slowloris: a byte now and then, never an end."""
    sock = served.connect(b"GET / HTTP/1.1\r\nHost: localhost\r\n")
    sock.settimeout(0.02)
    for _ in range(1000):
        try:
            sock.sendall(b"X")
            assert sock.recv(100) == b""
            return
        except TimeoutError:
            continue
        except OSError:
            return
    pytest.fail("it was let to go on")


def test_a_body_drop_by_drop_is_cut_off_too(served: Served) -> None:
    sock = served.connect(
        b"POST /api/pair HTTP/1.1\r\nHost: localhost\r\nOrigin: http://localhost\r\nContent-Length: 4000\r\n"
        b"Content-Type: application/json\r\n\r\n"
    )
    sock.settimeout(0.02)
    answer = b""
    for _ in range(1000):
        try:
            sock.sendall(b" ")
            block = sock.recv(1000)
        except TimeoutError:
            continue
        except OSError:
            return
        if not block:
            return
        answer += block
    pytest.fail(f"it was let to go on: {answer!r}")


def test_one_that_asks_for_nothing_is_cut_off(served: Served) -> None:
    assert served.connect().recv(1) == b""


def test_one_that_does_not_take_its_page_is_cut_off(served: Served) -> None:
    one = b"GET /static/driver.js HTTP/1.1\r\nHost: localhost\r\n\r\n"
    deaf = served.connect(one * 200, receive_bytes=4096)
    while not served.call(lambda: len(served.connections())):
        pass  # it was not seen yet
    while served.call(lambda: len(served.connections())):
        pass
    taken = 0
    try:
        while data := deaf.recv(65536):
            taken += len(data)
    except ConnectionResetError:
        pass
    assert taken < 1_000_000


@pytest.mark.parametrize(
    "data",
    [
        b"GET / HTTP/1.1\r\nHost: localhost\r\nX: " + b"x" * 100_000 + b"\r\n\r\n",
        b"GET /" + b"x" * 100_000 + b" HTTP/1.1\r\nHost: localhost\r\n\r\n",
        b"GET / HTTP/1.1\r\n" + b"".join(b"X-%d: y\r\n" % n for n in range(20_000)) + b"\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 500,  # TLS to a plain port
        b"\x00" * 100_000,
        b"GET / HTTP/1.1\r\nHost: localhost\r\nContent-Length: -5\r\n\r\n",
        b"POST /api/pair HTTP/1.1\r\nHost: localhost\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"GET \xff\xfe HTTP/1.1\r\nHost: localhost\r\n\r\n",
    ],
)
def test_what_is_no_request_is_refused(running: Child, data: bytes) -> None:
    sock = running.raw()
    answer = b""
    try:
        sock.sendall(data)
        while block := sock.recv(65536):
            answer += block
    except (BrokenPipeError, ConnectionResetError):
        pass  # cut off before all of it was sent
    assert answer[:12] in (b"", b"HTTP/1.1 400", b"HTTP/1.1 403", b"HTTP/1.1 421", b"HTTP/1.1 431")
    assert running.get("/api/now").status == 200


def test_a_flood_of_connections_leaves_room_again(running: Child) -> None:
    flood: list[socket.socket] = []
    for _ in range(300):
        try:
            flood.append(running.raw())
        except OSError:
            break
    running.publish(sample(3.0))
    for sock in flood:
        sock.close()
    for _ in range(1000):
        try:
            answer = running.get("/api/now")
        except OSError:
            continue
        break
    assert answer.json()["t_s"] == 3.0


def test_pipelined_requests_are_answered_in_order(running: Child) -> None:
    one = b"GET /api/beat HTTP/1.1\r\nHost: localhost\r\n\r\n"
    last = b"GET /nothing HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n"
    with running.raw(one * 20 + last) as sock, sock.makefile("rb") as answers:
        whole = answers.read()
    assert whole.count(b"HTTP/1.1 200") == 20
    assert whole.count(b"HTTP/1.1 404") == 1
