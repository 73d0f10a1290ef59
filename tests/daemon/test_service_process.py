"""`rigmon run` as the service manager sees it: a process of its own, told and judged over a notify socket."""

import os
import select
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from fakes import PATIENCE_S, PtyPort
from test_daemon import XDR, rig_for, rmc, sentence

from rigmon import replay
from rigmon.log.reader import RunLog
from rigmon.model import Source

_RUN = ("run", "--rig", "rig.toml", "--quiet")
#: WATCHDOG_USEC of the tests: a ping is due each quarter of it
WATCHDOG_S = 0.4

#: the program, with a breach: what argv[1] names is made stuck or broken when the file argv[2] is there
_PROGRAM = """
import os, sys, threading, time
what, flag = sys.argv[1:3]
sys.argv[1:3] = []
sys.argv[0] = "rigmon"

def broken():
    return os.path.exists(flag)

if what == "core":
    from rigmon.core.pipeline import Pipeline
    feed = Pipeline.feed
    def stuck(self, reading):
        while broken():
            time.sleep(0.01)
        return feed(self, reading)
    Pipeline.feed = stuck
elif what == "disk":
    from rigmon.log.store import Store
    commit = Store.commit
    def hung(self, *rows):
        while broken():
            time.sleep(0.01)
        return commit(self, *rows)
    Store.commit = hung
elif what == "pins":
    from gpiozero import Device
    from gpiozero.pins.mock import MockFactory
    Device.pin_factory = MockFactory()
    def play():
        for line in sys.stdin:
            number, level = line.split()
            pin = Device.pin_factory.pin("GPIO" + number)
            pin.drive_high() if level == "high" else pin.drive_low()
    threading.Thread(target=play, daemon=True).start()
elif what == "log thread":
    from rigmon.log.live import LiveWriter
    write = LiveWriter._write
    def dies(self, everything):
        if broken():
            sys.exit()  # ends this thread, silently
        return write(self, everything)
    LiveWriter._write = dies

from rigmon import cli
from rigmon.edge import notify
notify._STATUS_EVERY_S = 0.3
cli.main()
"""


class Service:
    """The program under a notify socket that the test reads."""

    def __init__(self, folder: Path, what: str, *args: str) -> None:
        self.address = str(folder / "notify")
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(self.address)
        self.flag = folder / "flag"
        self.runtime = folder / "runtime"
        self.runtime.mkdir()
        self.got: list[str] = []
        self.process = subprocess.Popen(
            [sys.executable, "-c", _PROGRAM, what, str(self.flag), *_RUN, *args],
            cwd=folder, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            env={
                **os.environ, "PYTHONPATH": os.pathsep.join(sys.path), "NOTIFY_SOCKET": self.address,
                "WATCHDOG_USEC": str(round(WATCHDOG_S * 1e6)), "RUNTIME_DIRECTORY": str(self.runtime),
            },
        )  # fmt: skip

    def pin(self, line: str) -> None:
        """Drive one of the mock pins: "23 low"."""
        assert self.process.stdin is not None
        self.process.stdin.write(line.encode() + b"\n")
        self.process.stdin.flush()

    def wait(self, found: Callable[[str], bool], patience_s: float = PATIENCE_S) -> bool:
        """Read messages until one is found; False when none came in time."""
        give_up = time.monotonic() + patience_s
        while (left_s := give_up - time.monotonic()) > 0:
            if select.select([self.socket], [], [], left_s)[0]:
                self.got.append(self.socket.recv(4096).decode())
                if found(self.got[-1]):
                    return True
        return False

    def wait_for(self, start: str) -> str:
        assert self.wait(lambda message: message.startswith(start)), (self.got, self.process.poll())
        return self.got[-1]

    def pings_stop(self) -> None:
        """Read until no ping came for three times the watchdog's time."""
        give_up = time.monotonic() + PATIENCE_S
        while self.wait(lambda message: message == "WATCHDOG=1", 3 * WATCHDOG_S):
            assert time.monotonic() < give_up, "pings go on"

    def end(self) -> tuple[int, str, str]:
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, out.decode(), err.decode()


@pytest.fixture
def start(tmp_path: Path, port: PtyPort) -> Iterator[Callable[..., Service]]:
    """Start the program with the rig file's further lines; a failing test leaves none behind."""
    running: list[Service] = []

    def starter(what: str = "nothing", toml: str = "", *args: str) -> Service:
        port.plug()
        (tmp_path / "rig.toml").write_text(rig_for(port.link)[1] + toml)
        running.append(Service(tmp_path, what, *args))
        return running[-1]

    yield starter
    for service in running:
        service.flag.unlink(missing_ok=True)
        if service.process.poll() is None:
            service.process.kill()
            service.process.communicate()
        service.socket.close()


def test_ready_pings_status_stopping(start: Callable[..., Service], tmp_path: Path) -> None:
    service = start()
    service.wait_for("READY=1")
    service.wait_for("WATCHDOG=1")
    assert service.wait_for("STATUS=").startswith("STATUS=-- mph; -- gal/ac; ")
    for _ in range(2):
        service.wait_for("WATCHDOG=1")  # silence of all sensors is no reason to be started anew
    service.process.send_signal(signal.SIGTERM)
    service.wait_for("STOPPING=1")
    code, out, err = service.end()
    assert (code, err) == (0, "")
    assert service.got[0] == "READY=1"
    assert "(stopped by SIGTERM)" in out
    (log,) = (tmp_path / "runs").iterdir()
    assert f"; run {log.stem}" in next(message for message in service.got if message.startswith("STATUS"))
    with RunLog.open(log) as opened:
        assert opened.ended_cleanly
        assert replay.check(opened).same


def test_a_stuck_core_stops_the_pings_and_the_abort_says_where_it_was(start: Callable[..., Service]) -> None:
    service = start("core")
    service.wait_for("WATCHDOG=1")
    service.flag.touch()
    service.pings_stop()
    service.process.send_signal(signal.SIGABRT)  # as the service manager does
    code, _, err = service.end()
    assert code == -signal.SIGABRT
    assert "in stuck" in err  # the journal has the place


def test_a_disk_that_hangs_does_not_stop_the_pings(start: Callable[..., Service]) -> None:
    """A new start would mend no card, and cost the driver the guidance; the alert names it."""
    service = start("disk")
    service.wait_for("WATCHDOG=1")
    service.flag.touch()
    pings = 0
    until_s = time.monotonic() + 5 * WATCHDOG_S
    while time.monotonic() < until_s:
        pings += service.wait(lambda message: message == "WATCHDOG=1", 2.0)
    assert pings >= 1
    assert service.wait(lambda message: "run log trouble" in message)  # from the status, some seconds later
    service.flag.unlink()
    service.process.send_signal(signal.SIGTERM)
    service.wait_for("STOPPING=1")
    assert service.end()[0] == 0


def test_a_log_thread_that_died_stops_the_pings(start: Callable[..., Service]) -> None:
    service = start("log thread")
    service.wait_for("WATCHDOG=1")
    service.flag.touch()
    service.pings_stop()


def test_work_begins_a_run_the_button_ends_it_and_the_failing_supply_ends_the_service(
    start: Callable[..., Service], port: PtyPort, tmp_path: Path
) -> None:
    """The whole of it, over pins: in a shed, to work, stop button, work again, key switch off."""
    service = start(
        "pins",
        '[runs]\nbegin = "work"\nstop_pin = 22\n[power]\nfail_pin = 23\nfail_delay = "0.05 s"\n',
        "--json",
    )
    service.wait_for("READY=1")
    sent = 0

    def speak_until(found: Callable[[], object], boom: int = 1) -> None:
        nonlocal sent
        give_up = time.monotonic() + PATIENCE_S
        while not found():
            assert time.monotonic() < give_up, (service.got, service.process.poll())
            xdr = XDR if boom else sentence("YXXDR,P,2.758,B,BOOM,R,0.0,l,FLOW,S,0,,BOOM")
            port.send(rmc(sent) + b"\r\n" + xdr + b"\r\n")
            sent += 1
            service.wait(lambda _: False, 0.05)

    def logs() -> list[Path]:
        return sorted((tmp_path / "runs").glob("*.sqlite"))

    def closed(log: Path) -> bool:
        """Whether the end is in the file itself, without disturbing its writer."""
        connection = sqlite3.connect(f"{log.as_uri()}?mode=ro&immutable=1", uri=True)
        try:
            return bool(connection.execute("SELECT ended_ns FROM run").fetchone()[0])
        except sqlite3.DatabaseError:
            return False  # just now being folded
        finally:
            connection.close()

    speak_until(lambda: sent > 20, boom=0)
    assert logs() == []  # driving there is no run
    speak_until(logs)
    (first,) = logs()
    service.pin("22 low")
    speak_until(lambda: closed(first))
    service.pin("22 high")
    speak_until(lambda: sent % 10 == 0, boom=0)
    speak_until(lambda: len(logs()) == 2)
    (second,) = {*logs()} - {first}
    service.pin("23 low")
    service.wait_for("STOPPING=1")
    speak_until((service.runtime / "power-off").exists)  # after the log was closed
    assert closed(second)
    assert service.process.poll() is None  # it stays, so that the request does too
    service.process.send_signal(signal.SIGTERM)
    code, out, err = service.end()
    assert code == -signal.SIGTERM
    assert "power-off is asked for" in err
    assert [line.strip() for line in out.splitlines() if "ended_why" in line] == [
        '"ended_why": "stop button held",',
        '"ended_why": "the supply failed",',
    ]
    for log, why in ((first, "stop button held"), (second, "the supply failed")):
        with RunLog.open(log) as opened:
            assert opened.header.ended_why == why
            notes = [r.payload.text for r in opened.readings() if r.source is Source.PERSON]  # type: ignore[union-attr]
            assert notes == [why]
            assert [r.seq for r in opened.readings()] == list(range(opened.readings_count))
            assert replay.check(opened).same
            assert replay.check(opened).complete
