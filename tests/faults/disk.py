"""The card in trouble while a run goes on: full, read-only, broken, three seconds for a sync.

A real daemon on a pseudo-terminal at 10 Hz. The driver's feedback goes on, the alert names the trouble,
logging resumes by itself when it is over, and what was lost meanwhile is a row: the readings kept and those
recorded as lost are all there were. A file system that is full is a real one, mounted for the process; the
other faults are put under the process by a preload shim, or, without a C compiler, at the store's commit.
"""

import errno
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path
from statistics import quantiles
from typing import Any, Final

from rigmon import replay
from rigmon.log.reader import RunLog
from tests.faults.shim import Shim, missing
from tests.faults.table import Done
from tests.faults.watched import account
from tests.faults.watching import Watched

#: rows that wait for the disk in these runs: few, so that a fault of seconds loses some
_PENDING: Final = 60
#: the driver gets a sample at least so often, whatever the disk does: a sync is longer, so it would show
_GAP_S: Final = 2.0
_SYNC_MS: Final = 3000


def run(
    folder: Path, rounds: int, fault_s: float, goal_ms: float | None = None, ext4: bool = False
) -> list[Done]:
    """`rounds` of each fault, of `fault_s` seconds. `goal_ms`: 99 of 100 samples reach the feedback within so
    much of their stamp while the fault lasts; None: not judged."""
    faults: list[tuple[str, str, Callable[[Path], _Round]]] = [
        ("disk full", "full", lambda at: _full(at, fault_s)),
        ("disk full before the run", "begin", lambda at: _full(at, fault_s, at_start=True)),
        ("disk read-only", "erofs", lambda at: _shimmed(at, fault_s, errno.EROFS, 0)),
        ("I/O errors of the disk", "eio", lambda at: _shimmed(at, fault_s, errno.EIO, 0)),
        ("3 s for a sync", "sync", lambda at: _shimmed(at, 2 * fault_s, 0, _SYNC_MS)),
    ]
    if ext4:
        faults.append(("ext4 gone read-only, and back", "ext4", lambda at: _ext4(at, fault_s)))
    with ThreadPoolExecutor(len(faults)) as pool:  # they wait most of the time
        futures = [
            pool.submit(_rounds, what, rounds, provoke, goal_ms, folder / name)
            for what, name, provoke in faults
        ]
        return [future.result() for future in futures]


class _Round:
    """What one round came to."""

    def __init__(
        self, end: dict[str, Any], log: dict[str, Any], begin: float, over: float, resumed: float
    ) -> None:
        self.failures: list[str] = []
        stamped = [(end["start"] + t_ns / 1e9, at) for at, t_ns in end["samples"]]
        during = [(stamp, at) for stamp, at in stamped if begin <= stamp <= over]
        before = [at - stamp for stamp, at in stamped if stamp < begin]
        self.late_ms = [1000 * (at - stamp) for stamp, at in during]
        self.before_ms = [1000 * seconds for seconds in before]
        self.resumed_s = resumed - over
        self.lost = sum(last - first + 1 for first, last, _ in log["lost"])
        shown = [begin, *(at for _, at in stamped if begin <= at <= resumed), resumed]
        gap_s = max(b - a for a, b in pairwise(shown))
        if gap_s > _GAP_S:
            self.failures.append(f"the driver got nothing for {gap_s:.1f} s")
        known = [*log["kept"], *(n for first, last, _ in log["lost"] for n in range(first, last + 1))]
        if sorted(known) != list(range(end["readings"])):
            self.failures.append(
                f"{end['readings']} readings, but {len(log['kept'])} kept and {self.lost} recorded lost"
            )
        if log["problems"] or not log["checks"] or not log["ended"]:
            self.failures.append(f"the log: {log['problems']}, checks {log['checks']}, ended {log['ended']}")


def _rounds(
    what: str, rounds: int, provoke: Callable[[Path], _Round], goal_ms: float | None, folder: Path
) -> Done:
    done = Done(what, 0)
    late: list[float] = []
    before: list[float] = []
    lost, resumed = 0, 0.0
    for n in range(rounds):
        at = folder.with_name(f"{folder.name}-{n}")
        at.mkdir()
        try:
            made = provoke(at)
        except _CannotError as error:
            done.skipped = str(error)
            return done
        except RuntimeError as error:
            done.failures.append(str(error))
        else:
            done.failures += made.failures
            late += made.late_ms
            before += made.before_ms
            lost += made.lost
            resumed = max(resumed, made.resumed_s)
        done.count += 1
    if len(late) > 1:
        p99 = _p99(late)
        done.worst = (
            f"feedback p99 {p99:.1f} ms, worst {max(late):.1f}"
            + (f" (before: {_p99(before):.1f}, {max(before):.1f}); " if len(before) > 1 else "; ")
            + f"logging again after {resumed:.1f} s; {lost} readings lost, each in a row"
        )
        if goal_ms is not None and p99 > goal_ms:
            done.failures.append(f"the feedback is late: p99 {p99:.1f} ms")
    return done


class _CannotError(Exception):
    """This machine cannot do it; says why."""


def _full(folder: Path, fault_s: float, *, at_start: bool = False) -> _Round:
    before = ("unshare", "-rm")
    if (
        shutil.which(before[0]) is None
        or subprocess.run([*before, "true"], capture_output=True, check=False).returncode
    ):
        if at_start:
            raise _CannotError("needs unshare(1) and the right to a mount namespace of one's own")
        return _shimmed(folder, fault_s, errno.ENOSPC, 0)
    disk = folder / "disk"
    disk.mkdir()
    # the rig file lies beside the folder: outside of the small file system
    arguments = ["--small", "1", "--most-pending", str(_PENDING), *(["--full"] if at_start else [])]
    with Watched(disk / "run.sqlite", arguments, before=before) as daemon:
        begin = (lambda: None) if at_start else lambda: daemon.command("fill")
        words = "No space left" if at_start else "0 kB are free"
        return _through(daemon, begin, lambda: daemon.command("free"), fault_s, words, None)


def _shimmed(folder: Path, fault_s: float, error: int, sync_ms: int) -> _Round:
    path = folder / "run.sqlite"
    # a slow card should cost no reading
    arguments = [] if sync_ms else ["--most-pending", str(_PENDING)]
    words = "commit" if sync_ms else "full" if error == errno.ENOSPC and not missing() else "disk I/O error"
    if missing():
        with Watched(path, [*arguments, "--seam"]) as daemon:
            word, number = ("slow", sync_ms) if sync_ms else ("error", error)
            command, off = f"{word} {number}", f"{word} 0"
            return _through(
                daemon, lambda: daemon.command(command), lambda: daemon.command(off), fault_s, words, path
            )
    shim = Shim(folder)
    shim.control.prefix = str(path).encode()

    def begin() -> None:
        shim.control.sync_ms, shim.control.error = sync_ms, error

    def over() -> None:
        shim.control.sync_ms = shim.control.error = 0

    with Watched(path, arguments, environment=shim.environment) as daemon:
        return _through(daemon, begin, over, fault_s, words, path)


def _ext4(folder: Path, fault_s: float) -> _Round:
    """A file system that stops writing after an error, and that a person takes out and puts in again."""
    if os.geteuid() != 0:
        raise _CannotError("needs root and a loop device")
    image, disk = folder / "image", folder / "disk"
    disk.mkdir()
    image.write_bytes(bytes(16 << 20))
    with ExitStack() as stack:
        try:
            subprocess.run(["mkfs.ext4", "-q", str(image)], check=True, capture_output=True)
            _mount("-o", "loop", image, disk)
        except (OSError, subprocess.CalledProcessError) as error:
            raise _CannotError(f"needs mkfs.ext4 and a loop device: {error}") from error
        stack.callback(subprocess.run, ["umount", "-l", str(disk)], check=False, capture_output=True)

        def over() -> None:
            subprocess.run(["umount", "-l", str(disk)], check=True)
            until = time.monotonic() + 20
            # the old one is there as long as the daemon has a file of it open
            while (
                str(image)
                in subprocess.run(["losetup", "-a"], check=True, capture_output=True, text=True).stdout
            ):
                if time.monotonic() > until:
                    raise RuntimeError("the daemon does not let go of the file system that is gone")
                time.sleep(0.05)
            _mount("-o", "loop", image, disk)

        with Watched(disk / "run.sqlite", ["--most-pending", str(_PENDING)]) as daemon:
            begin = lambda: _mount("-o", "remount,abort", image, disk)  # noqa: E731
            return _through(daemon, begin, over, fault_s, "disk", disk / "run.sqlite")


def _mount(*arguments: object) -> None:
    subprocess.run(["mount", *map(str, arguments)], check=True, capture_output=True)


def _through(
    daemon: Watched,
    begin: Callable[[], object],
    over: Callable[[], object],
    fault_s: float,
    words: str,
    path: Path | None,
) -> _Round:
    """A good second, the fault, and until it is over. `words` must name it to the driver."""
    assert daemon.feeder is not None
    daemon.told("GPS: opened")
    daemon.feeder.start()
    place = 0
    if not daemon.named("LOG: "):  # in trouble from the start
        time.sleep(1.0)
        place = len(daemon.events)
    begin()
    began_s = time.monotonic()
    named = daemon.told("LOG: ", place)
    if words not in named["text"]:
        raise RuntimeError(f"the driver is told '{named['text']}', without '{words}'")
    daemon.alert("run_log_trouble", True, place)
    time.sleep(max(0.0, began_s + fault_s - time.monotonic()))
    over()
    over_s = time.monotonic()
    resumed = daemon.told("LOG: resumed", place)
    daemon.alert("run_log_trouble", False, place)
    end = daemon.stop()
    if path is None:
        log = daemon.wait_for(lambda e: e["event"] == "log")
    else:
        with RunLog.open(path) as made:
            log = account(made, replay.check(made).same)
    return _Round(end, log, began_s, over_s, resumed["at"])


def _p99(values: Sequence[float]) -> float:
    return quantiles(values, n=100, method="inclusive")[-1]
