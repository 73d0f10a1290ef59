"""Power cuts: a daemon killed at random moments under full load, and a writer flooded until it checkpoints.

`rigmon run` reads a pseudo-terminal at 10 Hz, four sentences an epoch, with an alert each second; SIGKILL
comes while it starts, while it runs or while it ends. The record of what was sent is the sender's own.
"""

import random
import signal
import subprocess
import sys
import time
import tty
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from os import close, listdir, openpty, readlink, set_blocking, ttyname
from pathlib import Path
from typing import Final, NamedTuple

from rigmon import replay
from rigmon.core.gnss import LIVE_RUN
from rigmon.errors import LogError
from rigmon.log.reader import RunLog
from rigmon.model import NmeaLine, SourceFault, Tick
from tests.faults.feed import RIGMON, TOP, Feeder, lines_of, rig_file
from tests.faults.table import Done

#: what a cut may cost [s]
GOAL_S: Final = 1.0
_PATIENCE_S: Final = 30.0
_WRITER: Final = """
import sys, threading, time
from pathlib import Path
from rigmon.core.pipeline import Pipeline
from rigmon import config
from rigmon.log import store
from rigmon.log.header import run_header
from rigmon.log.writer import RunLogWriter
from rigmon.model import NmeaLine, Reading, Source
from tests.faults.feed import lines_of

store._CHECKPOINT_BYTES = 64 * 1024
rig, text = config.load(Path(sys.argv[1]))
log = RunLogWriter(sys.argv[2], run_header("flood", "live", text), commit_every_s=0.01, outputs_every_s=0.05)
pipeline = Pipeline(rig)
seq = k = 0
safe = None
while True:
    for line in lines_of(k):
        reading = Reading(seq, k * 100_000_000, Source.GPS, NmeaLine(line.rstrip()))
        log.reading(reading)
        log.outputs(pipeline.feed(reading))
        seq += 1
    k += 1
    if log.committed_seq != safe:
        safe = log.committed_seq
        print(safe, seq - 1, flush=True)
    time.sleep(0.0005)
"""


class Kill(NamedTuple):
    """What one kill came to. `lost_s`: None where no log was there yet, or none of it can be missing."""

    phase: str
    lost_s: float | None
    failure: str


def run(
    folder: Path,
    kills: int,
    floods: int,
    *,
    parallel: int = 5,
    longest_s: float = 4.0,
    goal_s: float = GOAL_S,
    seed: int = 1,
) -> list[Done]:
    """`goal_s`: more time missing than this is a failure; `longest_s`: a run at most before it is killed."""
    chance = random.Random(seed)
    daemons: list[Callable[[], Kill]] = []
    for n in range(kills):
        phase = "starting" if n % 10 == 0 else "ending" if n % 10 in (4, 9) else "running"
        after_s = chance.uniform(0.05, 0.9) if phase == "starting" else chance.uniform(0.1, longest_s)
        then_s = chance.uniform(0.0, 0.08)
        path = folder / f"kill-{n}.sqlite"
        daemons.append(partial(_daemon, phase, after_s, then_s, path))
    writers: list[Callable[[], Kill]] = []
    for n in range(floods):
        writers.append(partial(_flood, chance.uniform(0.2, 1.0), folder / f"flood-{n}.sqlite"))
    rows = []
    if kills:
        rows.append(_row("kill -9 of rigmon run at 10 Hz", _in_parallel(daemons, parallel), goal_s))
    if floods:
        rows.append(_row("kill -9 of a flooded writer, checkpoints", _in_parallel(writers, 2), goal_s))
    return rows


def _in_parallel(tasks: list[Callable[[], Kill]], parallel: int) -> list[Kill]:
    with ThreadPoolExecutor(parallel) as pool:
        return [future.result() for future in [pool.submit(task) for task in tasks]]


def _row(what: str, kills: list[Kill], goal_s: float) -> Done:
    lost = [kill.lost_s for kill in kills if kill.lost_s is not None]
    phases = {phase: sum(kill.phase == phase for kill in kills) for phase in sorted({k.phase for k in kills})}
    done = Done(what, len(kills), ", ".join(f"{n} {phase}" for phase, n in phases.items()))
    if lost:
        late = sum(seconds > GOAL_S for seconds in lost)
        done.worst = f"{max(lost):.2f} s missing ({late} times over {GOAL_S:g} s); " + done.worst
        done.failures += [f"{seconds:.2f} s are missing" for seconds in lost if seconds > goal_s]
    done.failures += [f"{kill.phase}: {kill.failure}" for kill in kills if kill.failure]
    return done


# -- the daemon ----------------------------------------------------------------------------------------


def _daemon(phase: str, after_s: float, then_s: float, path: Path) -> Kill:
    master, slave = openpty()
    tty.setraw(slave)
    set_blocking(master, False)
    name = ttyname(slave)
    feeder = Feeder(master)
    process = subprocess.Popen(
        [*RIGMON, "run", "--rig", str(rig_file(path.parent, name)), "--log", str(path), "--quiet"],
        cwd=TOP, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        if phase == "starting":
            time.sleep(after_s)
        else:
            if not _reads(process, name):
                return Kill(phase, None, f"the daemon did not start: {process.communicate(timeout=5)[1]}")
            feeder.start()
            time.sleep(after_s)
            if phase == "ending":
                process.send_signal(signal.SIGTERM)
                time.sleep(then_s)
        process.kill()
        killed_s = time.monotonic()
        process.wait()
    finally:
        process.kill()
        process.wait()
        feeder.stop()
        close(master)
        close(slave)
        if process.stderr is not None:
            process.stderr.close()
    if phase == "starting" and not path.exists():
        return Kill(phase, None, "")  # not there yet: none, rather than half of one
    # what was sent in the last moments may not have been read
    sent = [(at, line) for at, line in feeder.sent if at < killed_s]
    return _look(phase, path, sent, killed_s)


def _reads(process: "subprocess.Popen[str]", port: str) -> bool:
    """Wait until the process has the port open and has flushed what lay there."""
    folder = Path(f"/proc/{process.pid}/fd")
    until = time.monotonic() + _PATIENCE_S
    while process.poll() is None and time.monotonic() < until:
        try:
            if any(readlink(folder / fd) == port for fd in listdir(folder)):
                time.sleep(0.1)
                return True
        except OSError:
            pass
        time.sleep(0.01)
    return False


def _look(phase: str, path: Path, sent: list[tuple[float, bytes]], killed_s: float) -> Kill:
    try:
        with RunLog.open(path) as log:
            if [tuple(row) for row in log.connection.execute("PRAGMA integrity_check")] != [("ok",)]:
                return Kill(phase, None, "integrity_check")
            if problems := log.problems() + [str(gap) for gap in log.gaps]:
                return Kill(phase, None, "; ".join(problems))
            readings = list(log.readings())
            if not (checked := replay.check(log)).same:
                return Kill(phase, None, f"check: {checked.difference}")
            ended = log.ended_cleanly
    except LogError as error:
        return Kill(phase, None, f"does not open: {error}")
    kept = [r.payload.raw for r in readings if isinstance(r.payload, NmeaLine)]
    others = [r.payload for r in readings if not isinstance(r.payload, NmeaLine | Tick)]
    if any(not (isinstance(p, SourceFault) or p == LIVE_RUN) for p in others):
        return Kill(phase, None, f"invented: {others}")
    if kept != [line for _, line in sent[: len(kept)]]:
        return Kill(phase, None, f"not a prefix of what was sent: {len(kept)} lines of {len(sent)}")
    if not sent or ended:
        return Kill(phase, None, "")
    missing = sent[len(kept) :]
    return Kill(phase, killed_s - missing[0][0] if missing else 0.0, "")


# -- the writer alone ----------------------------------------------------------------------------------


def _flood(after_s: float, path: Path) -> Kill:
    process = subprocess.Popen(
        [sys.executable, "-c", _WRITER, str(rig_file(path.parent, "/dev/null")), str(path)],
        cwd=TOP, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    first = process.stdout.readline()  # it has begun
    time.sleep(after_s)
    process.kill()
    told = [first, *process.stdout.readlines()]
    process.wait()
    process.stdout.close()
    safe, _ = (int(word) for word in [line for line in told if line.endswith("\n")][-1].split())
    try:
        with RunLog.open(path) as log:
            if problems := log.problems() + [str(gap) for gap in log.gaps]:
                return Kill("flooded", None, "; ".join(problems))
            kept = list(log.readings())
            if not (checked := replay.check(log)).same:
                return Kill("flooded", None, f"check: {checked.difference}")
    except LogError as error:
        return Kill("flooded", None, f"does not open: {error}")
    if [r.seq for r in kept] != list(range(len(kept))) or len(kept) <= safe:
        return Kill("flooded", None, f"{len(kept)} readings, {safe + 1} were acknowledged")
    expected = [line.rstrip() for k in range(len(kept) // 4 + 1) for line in lines_of(k)]
    if [r.payload.raw for r in kept if isinstance(r.payload, NmeaLine)] != expected[: len(kept)]:
        return Kill("flooded", None, "other readings than were handed over")
    return Kill("flooded", None, "")
