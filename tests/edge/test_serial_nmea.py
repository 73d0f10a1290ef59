"""The serial source over a real pseudo-terminal, a socket and pyserial's loop."""

import os
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import serial
from fakes import PATIENCE_S, Collector, JumpingClock, PtyPort

from rigmon.edge import serial_nmea
from rigmon.edge.hub import Hub, MonotonicClock
from rigmon.edge.serial_nmea import SerialNmea, check_url
from rigmon.errors import UsageError
from rigmon.model import NmeaLine, Payload, Reading, Source, SourceFault, Tick

RMC = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"


@pytest.fixture
def hub() -> Hub:
    return Hub(MonotonicClock())


@pytest.fixture
def collector(hub: Hub) -> Iterator[Collector]:
    collector = Collector(hub)
    yield collector
    collector.stop()


@pytest.fixture
def reader(hub: Hub, port: PtyPort, collector: Collector) -> Iterator[SerialNmea]:  # noqa: ARG001
    """A source on the pseudo-terminal's name; the test starts it."""
    source = SerialNmea(hub, Source.GPS, str(port.link), 9600)
    yield source
    source.stop()


def lines(readings: list[Reading]) -> list[bytes]:
    return [r.payload.raw for r in readings if isinstance(r.payload, NmeaLine)]


def faults(readings: list[Reading]) -> list[SourceFault]:
    return [r.payload for r in readings if isinstance(r.payload, SourceFault)]


def kinds(readings: list[Reading]) -> list[str]:
    return [fault.kind for fault in faults(readings)]


def has_kinds(*expected: str) -> Callable[[list[Reading]], bool]:
    return lambda readings: kinds(readings) == list(expected)


def has_lines(n: int) -> Callable[[list[Reading]], bool]:
    return lambda readings: len(lines(readings)) >= n


def descriptors() -> list[str]:
    return sorted(os.listdir("/proc/self/fd"))


def test_lines_come_whole_whatever_the_chunks(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    sent = [RMC, b"$YXXDR,P,2.7446,B,BOOM*00", b"x" * 200, RMC]
    stream = b"".join(line + b"\r\n" for line in sent)
    for start in range(0, len(stream), 7):
        port.send(stream[start : start + 7])
    readings = collector.wait_for(has_lines(4))
    assert lines(readings) == sent
    assert {r.source for r in readings} == {Source.GPS}
    assert faults(readings) == [SourceFault("opened", f"{port.link} at 9600 baud", 0)]


def test_stamps_are_taken_at_capture_on_the_hubs_clock(
    port: PtyPort, reader: SerialNmea, collector: Collector, hub: Hub
) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    before_ns = hub.clock.now_ns()
    port.send(RMC + b"\r\n")
    reading = collector.wait_for(has_lines(1))[-1]
    assert before_ns < reading.t_ns < hub.clock.now_ns()


def test_a_port_that_is_missing_at_start_is_taken_when_it_comes(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    reader.start()
    readings = collector.wait_for(has_kinds("failed"))
    assert faults(readings)[0].detail == f"{port.link}: No such file or directory; is it plugged in?"
    port.plug()
    collector.wait_for(has_kinds("failed", "opened"))  # the missing port was told of once, however many tries
    port.send(RMC + b"\r\n")
    assert lines(collector.wait_for(has_lines(1))) == [RMC]


def test_unplug_and_replug(port: PtyPort, reader: SerialNmea, collector: Collector) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    port.send(RMC + b"\r\n" + RMC[:20])
    collector.wait_for(has_lines(1))
    port.unplug()
    readings = collector.wait_for(has_kinds("opened", "closed", "failed"))
    # The kernel tells of it in one of two ways, as its own clean-up has got.
    assert faults(readings)[1].detail in (
        f"{port.link}: Input/output error; unplugged?",
        f"{port.link}: unplugged, or another program reads it too",
    )
    port.plug()
    collector.wait_for(has_kinds("opened", "closed", "failed", "opened"))
    port.send(RMC[20:] + b"\r\n" + RMC + b"\r\n")
    # What was half received is a line of its own: two halves from before and after make no sentence.
    readings = collector.wait_for(has_lines(4))
    assert lines(readings) == [RMC, RMC[:20], RMC[20:], RMC]
    halves = [r.payload for r in readings[2:4]]
    assert [type(payload) for payload in halves] == [NmeaLine, SourceFault]


def test_a_stick_that_comes_back_as_another_device_behind_the_same_name(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    first = os.readlink(port.link)
    port.swap()
    assert os.readlink(port.link) != first
    collector.wait_for(has_kinds("opened", "closed", "opened"))
    port.send(RMC + b"\r\n")
    assert lines(collector.wait_for(has_lines(1))) == [RMC]


def test_a_name_that_leads_to_another_device_while_the_old_one_only_falls_silent(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    with port.repointed():
        readings = collector.wait_for(has_kinds("opened", "closed", "opened"))
        assert faults(readings)[1].detail == f"{port.link}: the name leads to another device now"
        port.send(RMC + b"\r\n")
        assert lines(collector.wait_for(has_lines(1))) == [RMC]


def test_a_name_that_is_gone_does_not_close_a_port_that_is_there(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    where = os.readlink(port.link)
    port.link.unlink()
    with os.fdopen(os.open(where, os.O_RDONLY | os.O_NOCTTY)) as same:
        assert not serial_nmea._leads_elsewhere(str(port.link), same.fileno())
        assert not serial_nmea._leads_elsewhere("socket://192.0.2.7:10110", same.fileno())
        assert not serial_nmea._leads_elsewhere(where, same.fileno())
        assert serial_nmea._leads_elsewhere("/dev/null", same.fileno())
    port.send(RMC + b"\r\n")
    assert kinds(collector.wait_for(has_lines(1))) == ["opened"]


def test_a_port_held_by_another_program_is_waited_for(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    port.plug()
    holder = serial.Serial(str(port.link), exclusive=True)
    reader.start()
    readings = collector.wait_for(has_kinds("failed"))
    assert faults(readings)[0].detail == (
        f"{port.link}: Resource temporarily unavailable; another program holds it"
    )
    holder.close()
    collector.wait_for(has_kinds("failed", "opened"))


def test_the_port_is_held_exclusively(port: PtyPort, reader: SerialNmea, collector: Collector) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    with pytest.raises(serial.SerialException, match="exclusively lock"):
        serial.Serial(str(port.link), exclusive=True)


def test_permission_denied_names_the_group(
    hub: Hub, collector: Collector, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_args: object, **_kwargs: object) -> None:
        # as pyserial 3.5 words it; a test run as root is never refused by the kernel
        raise serial.SerialException(13, "could not open port /dev/ttyS9: [Errno 13] Permission denied")

    monkeypatch.setattr(serial, "serial_for_url", refuse)
    source = SerialNmea(hub, Source.GPS, "/dev/ttyS9", 9600)
    source.start()
    readings = collector.wait_for(has_kinds("failed"))
    source.stop()
    assert faults(readings)[0].detail == (
        "/dev/ttyS9: Permission denied; is this user in the group 'dialout'?"
    )


def test_a_file_that_is_no_port_is_a_fault_not_a_crash(
    hub: Hub, collector: Collector, tmp_path: Path
) -> None:
    path = tmp_path / "notes.txt"
    path.write_text("no port")
    source = SerialNmea(hub, Source.GPS, str(path), 9600)
    source.start()
    readings = collector.wait_for(has_kinds("failed"))
    source.stop()
    assert "Inappropriate ioctl" in faults(readings)[0].detail


def test_garbage_as_from_a_wrong_baud_leaves_the_thread_alive_and_lines_bounded(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    # Every byte value but the line ends, over and over: what a receiver at another speed looks like.
    noise = bytes(b for b in range(256) if b not in b"\r\n") * 60
    port.send(noise)
    port.send(b"\r\n" + RMC + b"\r\n")
    readings = collector.wait_for(lambda all_: RMC in lines(all_))
    assert b"".join(lines(readings)) == noise + RMC
    assert max(map(len, lines(readings))) <= 512
    assert kinds(readings) == ["opened"]


def test_a_port_that_says_nothing_readable_is_told_once_until_it_does(
    port: PtyPort, reader: SerialNmea, collector: Collector, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(serial_nmea, "_UNREADABLE_NS", 0)
    noise = b"\xe6\x80\x1e\xf8\x98\x00" * 200 + b"\n"
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    for _ in range(2):
        port.send(noise * 3)
        port.send(b"x$gpgga,,\r\n")  # of use or not: it can be read
    readings = collector.wait_for(lambda all_: lines(all_).count(b"x$gpgga,,") == 2)
    assert kinds(readings) == ["opened", "unreadable", "unreadable"]
    assert f"{port.link} at 9600 baud: no NMEA sentence comes; wrong baud?" in faults(readings)[1].detail


def test_a_binary_protocol_between_sentences_or_a_little_noise_is_not_told(
    port: PtyPort, reader: SerialNmea, collector: Collector
) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    port.send((b"\xb5\x62" + bytes(2000) + b"\n" + RMC + b"\r\n") * 5)
    readings = collector.wait_for(lambda all_: sum(RMC in line for line in lines(all_)) == 5)
    assert kinds(readings) == ["opened"]


class CountingHub(Hub):
    """Tells when a number of readings have been put, taken or not."""

    def __init__(self, capacity: int, expected: int) -> None:
        super().__init__(MonotonicClock(), capacity)
        self.all_put = threading.Event()
        self._left = expected

    def put(self, t_ns: int, source: Source, payload: Payload) -> None:
        super().put(t_ns, source, payload)
        self._left -= 1
        if self._left == 0:
            self.all_put.set()


def test_a_flood_fills_the_queue_and_no_more_and_the_losses_are_rows(port: PtyPort) -> None:
    hub = CountingHub(capacity=50, expected=1 + 5000)  # nobody takes readings while the flood comes
    source = SerialNmea(hub, Source.GPS, str(port.link), 115200)
    port.plug()
    source.start()
    first = hub.next(1 << 60)
    assert first is not None
    assert isinstance(first.payload, SourceFault)
    port.send(b"".join(b"$flood%05d\r\n" % n for n in range(5000)))
    assert hub.all_put.wait(PATIENCE_S)
    source.stop()
    hub.close()
    readings = []
    while (reading := hub.next(1 << 60)) is not None:
        readings.append(reading)
    assert lines(readings) == [b"$flood%05d" % n for n in range(50)]
    assert kinds(readings) == ["overflow"]
    assert faults(readings)[0].lost == 5000 - 50


def test_a_silent_port_leaves_the_ticks_to_the_hub(port: PtyPort) -> None:
    hub = Hub(JumpingClock())
    source = SerialNmea(hub, Source.GPS, str(port.link), 9600)
    port.plug()
    source.start()
    # The clock that jumps makes ticks as fast as they are asked for, so the opening comes among them.
    readings: list[Reading] = []
    while not (kinds(readings) and len(readings) >= 10):
        reading = hub.next(len(readings) + 1)
        assert reading is not None
        readings.append(reading)
    source.stop()
    ticks = [r for r in readings if isinstance(r.payload, Tick)]
    assert len(ticks) == len(readings) - 1
    assert all(r.source is Source.HUB for r in ticks)


def test_two_ports_keep_their_own_source_and_their_own_halves(
    hub: Hub, collector: Collector, tmp_path: Path
) -> None:
    gps, node = PtyPort(tmp_path / "gps2"), PtyPort(tmp_path / "node")
    gps.plug()
    node.plug()
    sources = [
        SerialNmea(hub, Source.GPS, str(gps.link), 9600),
        SerialNmea(hub, Source.NODE, str(node.link), 115200),
    ]
    for source in sources:
        source.start()
    collector.wait_for(lambda all_: len(faults(all_)) == 2)
    gps.send(RMC[:30])
    node.send(b"$YXXDR,S,1")
    gps.send(RMC[30:] + b"\r\n")
    node.send(b",,BOOM*00\r\n")
    readings = collector.wait_for(has_lines(2))
    for source in sources:
        source.stop()
    gps.unplug()
    node.unplug()
    got = {r.source: r.payload.raw for r in readings if isinstance(r.payload, NmeaLine)}
    assert got == {Source.GPS: RMC, Source.NODE: b"$YXXDR,S,1,,BOOM*00"}


def test_stop_leaves_no_thread_and_no_descriptor(port: PtyPort, hub: Hub, collector: Collector) -> None:
    port.plug()
    before = descriptors(), threading.active_count()
    for wait_for_port in (True, False):
        source = SerialNmea(hub, Source.GPS, str(port.link), 9600)
        source.start()
        if wait_for_port:
            collector.wait_for(has_kinds("opened"))
        source.stop()
        source.stop()  # a second stop does nothing
    assert (descriptors(), threading.active_count()) == before


def test_many_unplugs_leak_no_descriptor(port: PtyPort, reader: SerialNmea, collector: Collector) -> None:
    port.plug()
    reader.start()
    collector.wait_for(has_kinds("opened"))
    before = descriptors()
    for n in range(1, 4):
        port.send(RMC + b"\r\n")
        collector.wait_for(has_lines(n))
        port.unplug()
        collector.wait_for(lambda all_, n=n: kinds(all_).count("closed") == n)
        port.plug()
        collector.wait_for(lambda all_, n=n: kinds(all_).count("opened") == n + 1)
    assert len(descriptors()) == len(before)


def test_a_socket_url_is_read_and_reopened(hub: Hub, collector: Collector) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(PATIENCE_S)
        source = SerialNmea(hub, Source.GPS, f"socket://127.0.0.1:{server.getsockname()[1]}", 9600)
        source.start()
        try:
            for n in (1, 2):
                peer, _ = server.accept()
                # pyserial empties its buffer as it opens
                collector.wait_for(lambda all_, n=n: kinds(all_).count("opened") == n)
                peer.sendall(RMC + b"\r\n")
                collector.wait_for(has_lines(n))
                peer.close()
                readings = collector.wait_for(lambda all_, n=n: kinds(all_).count("closed") == n)
        finally:
            source.stop()
    assert lines(readings) == [RMC, RMC]
    assert kinds(readings)[:2] == ["opened", "closed"]


def test_a_port_without_descriptor_is_read_too(
    hub: Hub, collector: Collector, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened: list[serial.SerialBase] = []
    real = serial.serial_for_url

    def remember(*args: object, **kwargs: object) -> serial.SerialBase:
        opened.append(real(*args, **kwargs))
        return opened[-1]

    monkeypatch.setattr(serial, "serial_for_url", remember)
    source = SerialNmea(hub, Source.GPS, "loop://", 9600)
    source.start()
    collector.wait_for(has_kinds("opened"))
    opened[0].write(RMC + b"\r\n" + b"$rest")
    collector.wait_for(has_lines(1))
    source.stop()
    # the rest without line end is kept as a line when the port is closed
    assert lines(collector.wait_for(has_lines(2))) == [RMC, b"$rest"]


@pytest.mark.parametrize(
    "url", ["/dev/serial0", "/dev/serial/by-id/x", "socket://192.0.2.7:10110", "loop://"]
)
def test_urls_that_may_work_are_accepted(url: str) -> None:
    check_url(url, 9600, "gps.port")


@pytest.mark.parametrize(
    ("url", "why"),
    [
        ("carrier://pigeon", "protocol 'carrier' not known"),
        ("socket://192.0.2.7", "gps.port = 'socket://192.0.2.7'"),
        ("socket://192.0.2.7:99999", "gps.port = 'socket://192.0.2.7:99999'"),
    ],
)
def test_a_url_that_can_never_work_is_refused_with_its_key(url: str, why: str) -> None:
    with pytest.raises(UsageError, match="such as '/dev/serial0'") as caught:
        check_url(url, 9600, "gps.port")
    assert why in str(caught.value)
