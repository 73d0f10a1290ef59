"""The pages' process from its start to its end, and with the real daemon: nothing is left, nothing is lost."""

# ruff: noqa: E501  (tables of cases read best one a line)

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers import make_rig, rig_toml
from helpers.pages import PATIENCE_S, Child, Feed, child, free_port

sys.path.append(str(Path(__file__).parents[1] / "live"))
from samples import sample

from rigmon.live.state import LiveState
from rigmon.model import Alert

DATA = Path(__file__).parents[2] / "rigmon" / "data"


def _toml(**more: Any) -> str:
    return rig_toml(web={"port": free_port(), **more})


def test_it_ends_when_the_link_is_closed_and_whoever_follows_sees_that(tmp_path: Path) -> None:
    with child(_toml(), tmp_path) as running:
        feed = Feed(running.port)
        feed.first("beat")
        assert running.hang_up() == 0
        list(feed.events())  # it comes to a proper end
        assert running.errors.read_bytes() == b""
        with pytest.raises(ConnectionRefusedError):
            socket.create_connection(("127.0.0.1", running.port))


def test_a_ctrl_c_is_the_daemons_not_its_own(tmp_path: Path) -> None:
    with child(_toml(), tmp_path) as running:
        running.process.send_signal(signal.SIGINT)
        running.publish(sample(5.0))
        assert Feed(running.port).first("now", lambda now: now["t_s"] == 5.0)
        running.process.send_signal(signal.SIGTERM)
        assert running.process.wait(PATIENCE_S) is not None


def test_it_goes_on_from_the_state_it_is_told(tmp_path: Path) -> None:
    state = LiveState(make_rig())
    state.begin("run 7", "2026-06-01T14:00:00+00:00")
    state.take([sample(1.0), Alert(1, "flow_silent", True, None, None, "")])
    with child(_toml(), tmp_path, state=state.to_json()) as running:
        status = running.get("/api/status").json()
        assert (status["run"]["id"], status["totals"]["area_m2"]) == ("run 7", 10.0)
        assert [alert["code"] for alert in status["alerts"]] == ["flow_silent"]
        # and from one that follows a gap
        state.take([sample(2.0)])
        running.send({"k": "state", "state": state.to_json(), "skipped": 12})
        feed = Feed(running.port)
        assert feed.first("now", lambda now: now["t_s"] == 2.0)
        assert b"rigmon_link_batches_skipped_total 12.0" in running.get("/metrics").body


def test_it_gives_way_to_the_core(tmp_path: Path) -> None:
    with child(_toml(), tmp_path) as running:
        assert os.getpriority(os.PRIO_PROCESS, running.process.pid) > os.getpriority(os.PRIO_PROCESS, 0)
        assert Path(f"/proc/{running.process.pid}/oom_score_adj").read_text().strip() == "500"


def test_a_port_that_is_taken_is_told_in_words(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        running = Child(rig_toml(web={"port": port}), tmp_path)
        assert running.process.wait(PATIENCE_S) == 2
        words = running.errors.read_text()
        running.close()
    assert (
        words
        == f"rigmon: the pages cannot be served at 127.0.0.1 port {port}: another program has it; give another web.port\n"
    )


def test_an_address_that_no_network_has_is_told(tmp_path: Path) -> None:
    running = Child(_toml(address="192.0.2.1"), tmp_path)  # RFC 5737: for documentation, nobody has it
    assert running.process.wait(PATIENCE_S) == 2
    assert "no network has this address now" in running.errors.read_text()
    running.close()


@pytest.mark.parametrize("line", [b"", b"{}\n", b'{"k": "o"}\n'])
def test_started_by_hand_it_says_what_starts_it(line: bytes) -> None:
    ours, theirs = socket.socketpair()
    with ours, theirs:
        ours.sendall(line)
        ours.shutdown(socket.SHUT_WR)
        done = subprocess.run(
            [sys.executable, "-m", "rigmon.web.child"],
            stdin=theirs.fileno(),
            capture_output=True,
            timeout=PATIENCE_S,
            check=False,
        )
    assert (done.returncode, done.stderr.decode()) == (
        2,
        "rigmon: this is started by 'rigmon run --pages' alone\n",
    )


def test_without_a_link_there_is_no_traceback() -> None:
    for stdin in (subprocess.DEVNULL, subprocess.PIPE):
        done = subprocess.run(
            [sys.executable, "-m", "rigmon.web.child"],
            stdin=stdin,
            capture_output=True,
            timeout=PATIENCE_S,
            check=False,
        )
        assert done.returncode == 2
        assert b"Traceback" not in done.stderr
        assert b"no link to the daemon" in done.stderr


# -- with the real daemon -----------------------------------------------------------------------------

DAEMON = """
import sys
from pathlib import Path
from rigmon import config, daemon
from helpers.served import bench
toml = Path(sys.argv[1]).read_text()
rig = config.parse(toml, "rig")
hub, source, link = bench(rig, toml, Path(sys.argv[2]), float(sys.argv[3]))
link.began("run 1")
log = Path(rig.runs_folder) / "run 1.sqlite"
outcome = daemon.run(rig, toml, log, [source], hub, link, run_id="run 1", source_name="bench", stop_after_s=230)
print(outcome.ended_why, flush=True)
"""


class Daemon:
    """The daemon on the demo recording, with pages, as a process of its own."""

    def __init__(self, folder: Path, pace: float = 5.0) -> None:
        from helpers.served import with_web

        self.port = free_port()
        rig = folder / "rig.toml"
        rig.write_text(with_web((DATA / "demo.rig.toml").read_text(), self.port))
        tests = Path(__file__).parents[1]
        self.process = subprocess.Popen(
            [sys.executable, "-c", DAEMON, str(rig), str(DATA / "demo.nmea"), str(pace)],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": f"{tests}:{tests.parent}", "XDG_RUNTIME_DIR": str(folder)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
        )
        self.code_file = folder / "rigmon" / f"pair-{self.port}.json"

    def feed(self, query: str = "") -> Feed:
        end_s = time.monotonic() + PATIENCE_S
        while True:
            try:
                return Feed(self.port, query)
            except OSError:
                assert time.monotonic() < end_s
                assert self.process.poll() is None, self.process.stderr and self.process.stderr.read()
                time.sleep(0.02)

    def child_pid(self) -> int:
        pid: int = json.loads(self.code_file.read_text())["pid"]
        return pid

    def close(self) -> None:
        if self.process.poll() is None:
            self.process.kill()
        self.process.communicate()


def _gone(pid: int) -> bool:
    """Whether a process has ended, waited for as long as need be."""
    end_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < end_s:
        try:
            if Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "Z":
                return True
        except FileNotFoundError:
            return True
        time.sleep(0.01)
    return False


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Daemon]:
    one = Daemon(tmp_path)
    yield one
    one.close()


def test_from_the_recording_to_the_page(live: Daemon) -> None:
    feed = live.feed()
    now = feed.first("now", lambda now: now["advice"] == "hold" and now["boom"] == "on")
    assert now["run"] == "run 1"
    assert now["shown"]["speed_unit"] == "mph"
    assert 1.2 < now["speed_m_s"] < 1.9  # the demo is driven about its 3.5 mph, 1.56 m/s
    assert feed.first("track", lambda track: track["n"] > 3)["origin"]
    feed.close()


def test_a_killed_child_is_back_with_what_was_known_and_the_run_went_on(live: Daemon) -> None:
    feed = live.feed()
    before = feed.first("status", lambda status: status["totals"]["area_m2"] > 150)
    drawn = feed.first("track", lambda track: track["n"] > 5)
    pid = live.child_pid()
    os.kill(pid, signal.SIGKILL)
    assert _gone(pid)
    feed.close()
    feed = live.feed("?only=now,status")
    after = feed.first("status", lambda status: status["t_s"] is not None)
    assert after["totals"]["area_m2"] >= before["totals"]["area_m2"]
    assert after["run"]["id"] == "run 1"
    assert feed.first("now", lambda now: now["t_s"] > after["t_s"])
    feed.close()
    feed = live.feed("?only=track")
    assert feed.first("track")["epoch"] != drawn["epoch"]  # it is not taken for the map of before
    assert live.process.poll() is None
    feed.close()


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGTERM, signal.SIGINT])
def test_the_daemon_ends_and_no_child_is_left(live: Daemon, how: int) -> None:
    feed = live.feed()
    feed.first("now")
    pid = live.child_pid()
    live.process.send_signal(how)
    out, err = live.process.communicate(timeout=PATIENCE_S)
    assert _gone(pid)
    assert b"Traceback" not in err
    if how != signal.SIGKILL:
        assert out.startswith(b"stopped by")
        assert not live.code_file.exists()
    feed.close()


def test_a_stopped_child_costs_the_run_nothing(tmp_path: Path) -> None:
    """It is stopped (as a debugger or a full memory may do); the daemon's run comes to its end all the same."""
    live = Daemon(tmp_path, pace=40)
    feed = live.feed()
    feed.first("now")
    pid = live.child_pid()
    os.kill(pid, signal.SIGSTOP)
    out, _ = live.process.communicate(timeout=120)
    assert out.startswith(b"stopped after 230 s")
    assert _gone(pid)
    feed.close()
