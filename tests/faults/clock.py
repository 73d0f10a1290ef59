"""Wrong clocks: the board's wall clock stepped by hours while a run goes on, a boot in 1970, a receiver whose
week number rolled over. Times in the log are right, or marked unknown.

The board's clock is changed for one process by a preload shim. What is right is known from elsewhere: the
stamps from when the sender sent each line, the date from the sentences that it sent.
"""

import random
import signal
import subprocess
import time
import tty
from datetime import UTC, datetime, timedelta
from os import close, openpty, set_blocking, ttyname
from pathlib import Path
from typing import Final

from pynmea2 import NMEASentence

from rigmon import config, replay
from rigmon.analysis.score import score
from rigmon.analysis.source import load
from rigmon.core.gnss import LIVE_RUN
from rigmon.core.pipeline import Pipeline
from rigmon.log.header import run_header
from rigmon.log.reader import RunLog, list_runs
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Note, Reading, Source
from tests.faults.feed import RIGMON, Feeder, rig_file
from tests.faults.shim import Shim, missing
from tests.faults.table import Done
from tests.faults.watching import Watched

#: what the sender's clock shows at epoch 0, by its sentences
_EPOCH_0: Final = datetime(2026, 6, 1, 12, tzinfo=UTC)
#: stamps agree with the sender's to this: far more than a busy machine takes, far less than a step
_CLOSE_S: Final = 2.0
#: the week number of the GPS message has ten bits: IS-GPS-200, 20.3.3.3.1.1
_ROLLOVER: Final = timedelta(weeks=1024)


def run(folder: Path, steps: int, boots: int, dates: int, seed: int = 4) -> list[Done]:
    chance = random.Random(seed)
    return [_steps(folder, steps, chance), _boots(folder, boots), _rollovers(folder, dates, chance)]


# -- the board's clock ---------------------------------------------------------------------------------


def _steps(folder: Path, steps: int, chance: random.Random) -> Done:
    done = Done("wall clock stepped by hours", steps)
    if missing():
        done.skipped = missing()
        return done
    at = folder / "steps"
    at.mkdir()
    path = at / "run.sqlite"
    shim = Shim(folder)
    with Watched(path, environment=shim.environment) as daemon:
        assert daemon.feeder is not None
        daemon.told("GPS: opened")
        daemon.feeder.start()
        for _ in range(steps):
            time.sleep(0.1)
            shim.control.offset_s += chance.choice((-1, 1)) * chance.randrange(3600, 12 * 3600)
        off_s = daemon.command("lines")["wall"] - time.time() - shim.control.offset_s
        if abs(off_s) > _CLOSE_S:
            done.failures.append("the shim does not reach the daemon's clock")
        # and all the way back, to before 1970 and beyond 2038
        for offset_s in (-round(time.time()) - 3600, 2**31, 0):
            shim.control.offset_s = offset_s
            time.sleep(0.3)
        daemon.stop()
        sent = daemon.feeder.sent
    _look(done, path, sent)
    return done


def _look(done: Done, path: Path, sent: list[tuple[float, bytes]]) -> None:
    with RunLog.open(path) as log:
        readings = list(log.readings())
        lines = [(r.t_ns / 1e9, r.payload.raw) for r in readings if isinstance(r.payload, NmeaLine)]
        anchors = list(log.anchors())
        started = log.started_utc
        if log.problems() or not replay.check(log).same or not log.ended_cleanly:
            done.failures.append("the log is not whole, or does not check")
    if len(lines) < 10 or [raw for _, raw in lines] != [raw for _, raw in sent[: len(lines)]]:
        done.failures.append(f"{len(lines)} lines are not what was sent")
        return
    off = [
        (t_s - lines[0][0]) - (at_s - sent[0][0]) for (t_s, _), (at_s, _) in zip(lines, sent, strict=False)
    ]
    known = {t_s: raw for t_s, raw in reversed(lines) if raw[3:6] == b"RMC"}
    wrong = [a for a in anchors if a.utc_ms is None or abs(a.utc_ms - _utc_ms(known[a.t_ns / 1e9])) > 0]
    if max(map(abs, off)) > _CLOSE_S:
        done.failures.append(f"stamps are off by {max(map(abs, off)):.1f} s")
    if not anchors or wrong or started is None:
        done.failures.append(f"anchors {anchors}, wrong {wrong}, started {started}")
    else:
        start = datetime.fromisoformat(started)
        error_s = abs((start - _EPOCH_0).total_seconds() + lines[0][0])
        if error_s > _CLOSE_S:
            done.failures.append(f"the run started at {started}, off by {error_s:.1f} s")
        done.worst = (
            f"stamps off by {1000 * max(map(abs, off)):.1f} ms, start by {1000 * error_s:.0f} ms; "
            f"{len(lines)} lines, {len(anchors)} anchor(s)"
        )


def _utc_ms(rmc: bytes) -> int:
    fields = rmc.decode().split(",")
    day = datetime.strptime(fields[9], "%d%m%y").replace(tzinfo=UTC)
    clock = fields[1]
    return round(1000 * (day.timestamp() + int(clock[:2]) * 3600 + int(clock[2:4]) * 60 + float(clock[4:])))


def _boots(folder: Path, boots: int) -> Done:
    """`rigmon run` on a board that has just booted in 1970, a new log each time, named by rigmon."""
    done = Done("boot without a clock", boots)
    if missing():
        done.skipped = missing()
        return done
    at = folder / "boots"
    at.mkdir()
    shim = Shim(folder)
    shim.control.offset_s = -round(time.time()) + 17
    for _ in range(boots):
        master, slave = openpty()
        tty.setraw(slave)
        set_blocking(master, False)
        feeder = Feeder(master)
        before = set(at.glob("runs/*.sqlite"))
        process = subprocess.Popen(
            [*RIGMON, "run", "--rig", str(rig_file(at, ttyname(slave))), "--quiet"],
            cwd=at, env=shim.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            until = time.monotonic() + 20
            while not (made := set(at.glob("runs/*.sqlite")) - before) and time.monotonic() < until:
                time.sleep(0.02)
            time.sleep(0.2)
            feeder.start()
            time.sleep(1.0)
            process.send_signal(signal.SIGTERM)
            process.wait(20)
        finally:
            process.kill()
            process.wait()
            feeder.stop()
            close(master)
            close(slave)
        for path in made:
            if not path.name.startswith("undated-"):
                done.failures.append(f"the log is called {path.name}")
            _look(done, path, feeder.sent)
        if len(made) != 1:
            done.failures.append(f"{len(made)} logs were made")
    starts = {entry.started_utc for entry in list_runs(at / "runs")}
    if None in starts or any(
        start[:13] not in ("2026-06-01T11", "2026-06-01T12") for start in starts if start
    ):
        done.failures.append(f"the runs are listed as started at {starts}")
    return done


# -- the receiver's clock ------------------------------------------------------------------------------


def _rollovers(folder: Path, dates: int, chance: random.Random) -> Done:
    """Live runs whose receiver is 1024 weeks behind, and such whose receiver is right."""
    at = folder / "rollovers"
    at.mkdir()
    done = Done("receiver 1024 weeks behind", dates)
    rig, text = config.load(rig_file(folder, "/dev/null"))
    first, last = datetime(2026, 1, 1, tzinfo=UTC), datetime(2039, 8, 15, tzinfo=UTC)
    right = 0
    for n in range(dates):
        true = first + (last - first) * chance.random()
        true = true.replace(microsecond=true.microsecond // 10_000 * 10_000)
        behind = n % 4 != 3
        told = true - _ROLLOVER if behind else true
        path = at / f"{n}.sqlite"
        pipeline = Pipeline(rig)
        writer = RunLogWriter(path, run_header(str(n), "live", text), commit_by_time_ns=10**9)
        payloads: list[tuple[int, Source, NmeaLine | Note]] = [(0, Source.HUB, LIVE_RUN)]
        payloads += [
            (k * 10**8, Source.GPS, NmeaLine(_rmc(told + k * timedelta(seconds=0.1)))) for k in range(5, 25)
        ]
        for seq, (t_ns, source, payload) in enumerate(payloads):
            reading = Reading(seq, t_ns, source, payload)
            writer.reading(reading)
            writer.outputs(pipeline.feed(reading))
        writer.outputs(pipeline.finish(payloads[-1][0]))
        writer.close(payloads[-1][0], "done")
        with RunLog.open(path) as log:
            started = log.started_utc
            (by_view,) = log.connection.execute("SELECT started_utc FROM run_summary").fetchone()
            checks = replay.check(log).same
            speeds = [sample.speed_m_s for sample in log.samples()]
        expected = None if behind else f"{true:%Y-%m-%dT%H:%M:%S}.{true.microsecond // 1000:03d}Z"
        right += started == expected
        if {started, by_view} != {expected} or not checks or speeds[-1] is None:
            done.failures.append(
                f"{true}, told {told}: started {started}, {by_view}, checks {checks}, {speeds[-1]}"
            )
        if n < 4:  # what people are shown
            shown = score(load(path, None))["run"]["started_utc"]
            if shown != expected:
                done.failures.append(f"{true}, told {told}: the score says {shown}")
    done.worst = f"{right} of {dates} right: start known where the date is, unknown where it is not"
    return done


def _rmc(at: datetime) -> bytes:
    clock = f"{at:%H%M%S}.{at.microsecond // 10_000:02d}"
    body = f"GPRMC,{clock},A,4000.00000,N,04000.00000,W,3.04,0.0,{at:%d%m%y},,,A"
    return f"${body}*{NMEASentence.checksum(body):02X}".encode()
