"""`rigmon run` as it runs on the rig: a process of its own, a real pseudo-terminal, real signals."""

import json
import os
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from fakes import PtyPort
from helpers import rmc, sentence
from invoking import INSTALLED, PATIENCE_S, Made, assert_checks, done, refused

from rigmon import config, daemon, replay
from rigmon.calibration.book import CHOSEN_TARGET, Book
from rigmon.calibration.chosen import ChosenTarget
from rigmon.log.reader import RunLog
from rigmon.model import NmeaLine, Retarget, SourceFault

#: 40 psi = 2.758 bar and 2.4 gal/min = 0.15142 L/s, hand-worked
XDR = sentence("YXXDR,P,2.758,B,BOOM,R,0.15142,l,FLOW,S,1,,BOOM")
SPEED_M_S = 1.56464  # 3.5 mph x 0.44704


@pytest.fixture
def port(tmp_path: Path) -> Iterator[PtyPort]:
    pty = PtyPort(tmp_path / "gps")
    pty.plug()
    yield pty
    pty.unplug()


@pytest.fixture
def rig(made: Made, tmp_path: Path, port: PtyPort) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(made.rig.read_text().replace("/dev/no-receiver", str(port.link)))
    return path


class Live:
    """A running `rigmon run`, and a receiver that speaks while it is waited for."""

    def __init__(self, port: PtyPort, folder: Path, *args: object) -> None:
        self.port = port
        self.sent = 0
        self.out = ""
        self.process = subprocess.Popen(
            [INSTALLED, "run", *map(str, args)], cwd=folder, stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE, stderr=subprocess.PIPE,
        )  # fmt: skip

    def speak(self) -> None:
        self.port.send(b"\r\n".join((*said(self.sent), b"")))
        self.sent += 1

    def until(self, words: str) -> None:
        """Speak at 5 Hz until the driver has read `words`."""
        assert self.process.stdout is not None
        fd, give_up = self.process.stdout.fileno(), time.monotonic() + PATIENCE_S
        while words not in self.out:
            assert time.monotonic() < give_up, self.out
            self.speak()
            if select.select([fd], [], [], 0.2)[0]:
                data = os.read(fd, 65536)
                assert data, f"ended: {self.out} {self.process.communicate()}"
                self.out += data.decode()

    def end(self) -> tuple[int, str, str]:
        out, err = self.process.communicate(timeout=PATIENCE_S)
        return self.process.returncode, self.out + out.decode(), err.decode()


def said(n: int) -> tuple[bytes, bytes]:
    """The lines of epoch n."""
    return XDR, rmc(n / 5, SPEED_M_S)


@pytest.fixture
def start(port: PtyPort, tmp_path: Path) -> Iterator[Callable[..., Live]]:
    """Start `rigmon run` with arguments; a failing test leaves none behind."""
    running: list[Live] = []

    def starter(*args: object) -> Live:
        running.append(Live(port, tmp_path, *args))
        return running[-1]

    yield starter
    for live in running:
        if live.process.poll() is None:
            live.process.kill()
            live.process.communicate()


def only_log(folder: Path) -> Path:
    (log,) = (folder / "runs").glob("*.sqlite")
    return log


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM, signal.SIGHUP])
def test_a_signal_ends_the_run_with_a_closed_log(
    how: signal.Signals, rig: Path, start: Callable[..., Live], tmp_path: Path
) -> None:
    live = start("--rig", rig)
    live.until("meter  boom on")
    live.process.send_signal(how)
    code, out, err = live.end()
    assert (code, err) == (0, "")
    assert "3.5 mph  hold" in out
    log = only_log(tmp_path)
    assert out.splitlines()[-2] == f"Run log: runs/{log.name} (stopped by {how.name})"
    assert f"score runs/{log.name}" in out.splitlines()[-1]
    assert_checks(log)
    with RunLog.open(log) as opened:
        assert opened.header.ended_why == f"stopped by {how.name}"
        lines = [r.payload.raw for r in opened.readings() if isinstance(r.payload, NmeaLine)]
        faults = [r.payload for r in opened.readings() if isinstance(r.payload, SourceFault)]
    # raw first: from the moment the port was open, what was said is there, byte for byte and in order
    everything = [line for n in range(live.sent) for line in said(n)]
    first = everything.index(lines[1]) - 1
    assert lines == everything[first : first + len(lines)]
    assert [fault.kind for fault in faults] == ["opened"]


#: a session of its own, whose terminal sends the signal for the key
_ON_TERMINAL = (
    "import os, sys; os.setsid(); os.open(sys.argv[1], os.O_RDWR); os.execv(sys.argv[2], sys.argv[2:])"
)


def test_ctrl_c_on_a_terminal_ends_the_run_with_a_closed_log(
    rig: Path, port: PtyPort, tmp_path: Path
) -> None:
    """The key itself, through a controlling terminal: the line before is rewritten in place."""
    terminal, far_end = os.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", _ON_TERMINAL, os.ttyname(far_end), INSTALLED, "run", "--rig", rig],
        cwd=tmp_path, stdin=far_end, stdout=far_end, stderr=far_end, env={**os.environ, "TERM": "xterm"},
    )  # fmt: skip
    os.close(far_end)
    screen, sent, pressed, give_up = b"", 0, False, time.monotonic() + PATIENCE_S
    try:
        while True:
            assert time.monotonic() < give_up, screen
            port.send(b"\r\n".join((*said(sent), b"")))
            sent += 1
            if select.select([terminal], [], [], 0.2)[0]:
                try:
                    screen += os.read(terminal, 65536)
                except OSError:  # the program has ended
                    break
            if not pressed and b"boom on" in screen:
                os.write(terminal, b"\x03")
                pressed = True
        assert process.wait(PATIENCE_S) == 0
    finally:
        process.kill()
        process.wait()
        os.close(terminal)
    assert b"\r\x1b[K" in screen
    assert b"Traceback" not in screen
    log = only_log(tmp_path)
    assert f"Run log: runs/{log.name} (stopped by SIGINT)".encode() in screen
    assert_checks(log)


def test_for_ends_the_run_by_itself(rig: Path, start: Callable[..., Live], tmp_path: Path) -> None:
    live = start("--rig", rig, "--for", 0.5, "--quiet", "--log", "deep/er/one.sqlite")
    live.speak()
    code, out, err = live.end()
    assert (code, err) == (0, "")
    first, second = out.splitlines()
    assert first == "Run log: deep/er/one.sqlite (stopped after 0.5 s)"
    assert second.endswith("score deep/er/one.sqlite")
    log = tmp_path / "deep" / "er" / "one.sqlite"
    assert_checks(log)
    with RunLog.open(log) as opened:
        assert opened.header.ended_ns == 500_000_000


def test_the_json_of_a_run_says_how_it_went(rig: Path, start: Callable[..., Live], tmp_path: Path) -> None:
    live = start("--rig", rig, "--for", 0.5, "--json")
    live.speak()
    code, out, err = live.end()
    assert (code, err) == (0, "")
    told: dict[str, Any] = json.loads(out)
    assert list(told) == ["run_id", "run_log", "duration_s", "ended_why", "readings", "outputs", "troubles"]
    log = only_log(tmp_path)
    assert told["run_log"] == f"runs/{log.name}" == f"runs/{told['run_id']}.sqlite"
    assert (told["duration_s"], told["troubles"]) == (0.5, [])
    assert_checks(log)
    with RunLog.open(log) as opened:
        assert (told["readings"], told["outputs"]) == (opened.readings_count, opened.outputs_count)


def test_without_a_log_nothing_is_written(rig: Path, start: Callable[..., Live], tmp_path: Path) -> None:
    before = set(tmp_path.iterdir())
    live = start("--rig", rig, "--for", 0.3, "--no-log")
    code, out, _ = live.end()
    assert code == 0
    assert "Run log" not in out
    assert set(tmp_path.iterdir()) == before


def test_the_run_goes_on_when_nobody_reads_the_drivers_lines(
    rig: Path, start: Callable[..., Live], tmp_path: Path
) -> None:
    """The log matters more than the screen."""
    live = start("--rig", rig)
    live.until("boom on")
    assert live.process.stdout is not None
    assert live.process.stderr is not None
    live.process.stdout.close()
    ready: list[Any] = []
    give_up = time.monotonic() + PATIENCE_S
    log = only_log(tmp_path)
    before = live.sent
    while live.sent < before + 8:  # more than a second: the next line was due
        assert time.monotonic() < give_up
        live.speak()
        ready, _, _ = select.select([live.process.stderr], [], [], 0.2)
        assert not ready
    assert live.process.poll() is None
    live.process.terminate()
    err = live.process.stderr.read().decode()
    live.process.stderr.close()
    assert live.process.wait(PATIENCE_S) == 141
    assert err == "rigmon: the live lines ended: [Errno 32] Broken pipe\n"
    assert_checks(log)


# -- runs by the work ----------------------------------------------------------------------------------------


def by_work(rig: Path) -> Path:
    rig.write_text(
        re.sub(r"(?m)^\[runs\]\n", '[runs]\nbegin = "work"\nend_after = "10 s"\n', rig.read_text())
    )
    return rig


def test_a_run_by_the_work_is_told_and_its_log_named(
    rig: Path, start: Callable[..., Live], tmp_path: Path
) -> None:
    live = start("--rig", by_work(rig))
    live.until("a run has begun")
    live.until("boom on")
    live.process.send_signal(signal.SIGTERM)
    code, out, err = live.end()
    assert (code, err) == (0, "")
    log = only_log(tmp_path)
    assert f"run log: runs/{log.name}" in out  # to the driver
    assert out.splitlines()[-2] == f"Run log: runs/{log.name} (stopped by SIGTERM)"
    assert_checks(log)


def test_an_end_between_runs_says_why(rig: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The newest run ended by its own rule: its line does not say why the program did."""
    log = tmp_path / "runs" / "one.sqlite"

    def one_run(*args: Any, **_: Any) -> daemon.ServeOutcome:
        on_ended: Callable[[daemon.RunOutcome], None] = args[6]
        on_ended(daemon.RunOutcome("one", log, 1, "stop button held", 1, 1, ()))
        return daemon.ServeOutcome(1, "the supply failed", ())

    monkeypatch.setattr(daemon, "serve", one_run)
    out = done("run", "--rig", by_work(rig), cwd=tmp_path)
    watched, ended, *_ = out.splitlines()
    assert watched == "Watched: nozzles, leaks, supply, meter, transducer, GPS speed, speed creep"
    assert ended == "Ended between runs: the supply failed"
    assert f"{log} (stop button held)" in out


def test_no_work_no_run(rig: Path, start: Callable[..., Live], tmp_path: Path) -> None:
    live = start("--rig", by_work(rig), "--for", 0.3, "--quiet")
    code, out, err = live.end()
    assert (code, err) == (0, "")
    assert out == "No run: the boom was never on while the rig moved (stopped after 0.3 s)\n"
    assert list((tmp_path / "runs").iterdir()) == []


def test_one_log_for_several_runs_is_refused(rig: Path) -> None:
    message = refused("run", "--rig", by_work(rig), "--log", "one.sqlite", naming="--log one.sqlite")
    assert "[runs]" in message
    assert "log.folder" in message


def test_the_target_chosen_before_is_said_and_used(
    rig: Path, start: Callable[..., Live], tmp_path: Path
) -> None:
    """15 gal/ac at 4 mph, invented: 140.3094 L/ha and 1.78816 m/s."""
    text = rig.read_text()
    loaded = config.parse(text, "rig.toml")
    with Book(tmp_path / loaded.book_file) as book:
        record = book.add(
            "target",
            loaded.name,
            "",
            None,
            date(2026, 5, 30),
            {},
            {"rate_l_ha": 140.3094, "speed_m_s": 1.78816},
        )
    chosen = ChosenTarget(rig, loaded, text)
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(tmp_path)  # log.folder is seen from where rigmon is started
        assert chosen.remember(Retarget(record.name, record.text())) is None
    live = start("--rig", rig)
    live.until("FASTER to 4")
    live.process.send_signal(signal.SIGTERM)
    code, _, err = live.end()
    assert code == 0
    assert f"the target is '{record.name}', chosen while rigmon ran, not that of {rig}" in err
    log = only_log(tmp_path)
    assert_checks(log)
    with RunLog.open(log) as opened:
        assert replay.rig_of(opened).target.record == record.name
    assert rig.read_text() == text

    rig.write_text(text + "# another day\n")
    live = start("--rig", rig, "--no-log")
    live.until("meter  boom on")
    live.process.send_signal(signal.SIGTERM)
    code, _, err = live.end()
    assert f"'{record.name}' was chosen before {rig} was changed" in err
    assert not (tmp_path / "runs" / CHOSEN_TARGET).exists()
