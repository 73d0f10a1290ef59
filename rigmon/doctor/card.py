"""The card that the run logs go to: what file system, how much room and for how long, how fast it commits."""

import grp
import os
import stat
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from statistics import median
from typing import Final

from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.groups import denied_advice
from rigmon.doctor.machine import Machine
from rigmon.errors import LogError
from rigmon.log.header import new_run_id, run_header
from rigmon.log.reader import RunLog
from rigmon.log.schema import SUFFIX
from rigmon.log.store import Store
from rigmon.model import NmeaLine, Reading, Source
from rigmon.rig import Rig

#: the log's thread says that it is slow from here on
_SLOW_S: Final = 1.0
_SLUGGISH_MEDIAN_S: Final = 0.15
_COMMITS: Final = 30
_LONGEST_TEST_S: Final = 3.0
#: about a second of a 10 Hz receiver with three sentences and a sensor node
_LINES: Final = 40
_LINE: Final = b"$GNRMC,%06d.%02d,A,4807.03812,N,01131.00015,E,003.412,084.42,300526,,,A*%02X"

#: bytes of a run log against the raw bytes received: measured 0.75 (1 Hz), 1.03 (5 Hz) and 0.70 (10 Hz) on
#: simulated hours with RMC, VTG, GGA and XDR
LOG_FACTOR: Final = 1.1
#: a run log shorter than this says little of the bytes of an hour
_LONG_RUN_S: Final = 600.0
_FEW_RUNS: Final = 5
_LOOK_AT_RUNS: Final = 20
_WORKDAY_H: Final = 8.0
_MB: Final = 1_000_000

_NO_CARD: Final = {"tmpfs": "memory", "ramfs": "memory", "zram": "memory"}
_NETWORK: Final = ("nfs", "nfs4", "cifs", "smb3", "fuse.sshfs", "9p")


def check(
    machine: Machine, folder: Path, rig_toml: str, tell: Callable[[str], None]
) -> tuple[Finding, Finding]:
    """The log folder and how fast it takes a run log's commits."""
    there = _existing(folder)
    placed = _folder(machine, folder, there)
    if placed.values.get("writable") is False:
        return placed, unknown("write_speed", "Write speed", "the log folder cannot be written")
    tell(f"writing to {there}")
    return placed, _speed(there, rig_toml)


def _existing(folder: Path) -> Path:
    """The folder, or the nearest one above it that is there: rigmon makes the rest."""
    folder = Path(os.path.abspath(folder))
    return next(each for each in (folder, *folder.parents) if each.is_dir())


def file_system(machine: Machine, folder: Path) -> tuple[str, str, bool]:
    """Kind, device and whether it is mounted read-only, of the file system that a folder is on."""
    best = ("", "?", "?", False)
    real = os.path.realpath(folder)
    for line in (machine.text("/proc/mounts") or "").splitlines():
        words = line.split()
        if len(words) < 4:
            continue
        place = words[1].replace("\\040", " ")
        inside = real == place or real.startswith(place.rstrip("/") + "/")
        if inside and len(place) >= len(best[0]):
            best = (place, words[2], words[0], "ro" in words[3].split(","))
    return best[1], best[2], best[3]


def _folder(machine: Machine, folder: Path, there: Path) -> Finding:
    kind, device, read_only = file_system(machine, there)
    title = "Log folder"
    name = os.path.abspath(folder)
    seen = f"{name} on {device} ({kind})"
    values: Values = {"folder": name, "file_system": kind, "device": device}
    if read_only or not os.access(there, os.W_OK | os.X_OK):
        why = "mounted read-only" if read_only else "not permitted"
        return wrong(
            "log_folder",
            title,
            f"{seen}: {why}",
            "Remount it for writing: a card that fails turns read-only by itself; 'dmesg' tells."
            if read_only
            else _right_to(machine, there),
            **values,
            writable=False,
        )
    values["writable"] = True
    if kind in _NO_CARD:
        return wrong(
            "log_folder",
            title,
            f"{seen}: that is {_NO_CARD[kind]}, gone at power off",
            "Put log.folder on a partition of its own that is written to the card.",
            **values,
        )
    if kind == "overlay":
        start = machine.text("/proc/cmdline") or ""
        if "boot=overlay" in start or "overlayroot=" in start:
            return wrong(
                "log_folder",
                title,
                f"{seen}: the overlay is in memory, gone at power off",
                "Put log.folder on a partition of its own that is written to the card.",
                **values,
            )
        return look(
            "log_folder",
            title,
            f"{seen}: an overlay, as in a container",
            "See that what is written there is kept: mount a folder of the card for it.",
            **values,
        )
    if kind in _NETWORK:
        return wrong(
            "log_folder",
            title,
            f"{seen}: a network drive, where SQLite's write-ahead log does not work",
            "Put log.folder on the board's own card; copy the logs afterwards.",
            **values,
        )
    if kind in ("vfat", "exfat", "msdos"):
        return look(
            "log_folder",
            title,
            f"{seen}: it has no journal, a power cut can harm it",
            "ext4 rides through power cuts.",
            **values,
        )
    made = "" if there == Path(name) else "; rigmon makes it"
    return ok("log_folder", title, seen + made, **values)


def _right_to(machine: Machine, there: Path) -> str:
    """How this user comes to write there without taking the folder from the one who keeps the logs."""
    status = there.stat()
    if status.st_mode & stat.S_IWGRP:
        with suppress(KeyError):
            return denied_advice(machine, grp.getgrgid(status.st_gid).gr_name)
    return (
        f"Ask as the user who keeps the logs, or name another log.folder: 'ls -ld {there}' says whose it is."
    )


# -- room --------------------------------------------------------------------------------------------------


def log_bytes_per_h(folder: Path, raw_bytes_per_s: float | None) -> tuple[float | None, str]:
    """What a run log takes an hour, and by what: the newest long runs in the folder, else the bytes heard.

    A log with a write-ahead log beside it may be in use: it is left alone.
    """
    runs = [(size, seconds) for size, seconds in _newest(folder) if seconds >= _LONG_RUN_S][:_FEW_RUNS]
    if runs:
        per_h = sum(size for size, _ in runs) / sum(seconds for _, seconds in runs) * 3600
        return per_h, f"measured on {len(runs)} run{'s' if len(runs) > 1 else ''}"
    if raw_bytes_per_s:
        return raw_bytes_per_s * 3600 * LOG_FACTOR, "from the bytes heard"
    return None, ""


def _newest(folder: Path) -> Iterator[tuple[int, float]]:
    """Size [bytes] and length [s] of the live runs in the folder, the newest first."""
    try:
        found = sorted(folder.glob(f"*{SUFFIX}"), key=lambda path: path.stat().st_mtime, reverse=True)
    except OSError:
        return
    for path in found[:_LOOK_AT_RUNS]:
        if path.with_name(f"{path.name}-wal").exists():
            continue
        try:
            with RunLog.open(path) as log:
                if log.header.source == "live" and log.header.ended_ns is not None:
                    yield path.stat().st_size, log.header.ended_ns / 1e9
        except (LogError, OSError):
            continue


def room(machine: Machine, rig: Rig, folder: Path, raw_bytes_per_s: float | None) -> Finding:
    """`raw_bytes_per_s`: what the ports were heard to say; None where they were not."""
    title, there = "Disk space", _existing(folder)
    try:
        space = machine.space(there)
    except OSError as error:
        return unknown("disk_space", title, f"{there}: {error.strerror}")
    keep_mb = rig.log_space.keep_free_mb
    free_mb = space.free / _MB
    per_h, by = log_bytes_per_h(folder, raw_bytes_per_s)
    values: Values = {
        "free_mb": round(free_mb),
        "total_mb": round(space.total / _MB),
        "keep_free_mb": keep_mb,
        "log_mb_per_h": None if per_h is None else round(per_h / _MB, 2),
        "hours_left": None,
    }
    seen = f"{_mb(free_mb)} free of {_mb(space.total / _MB)}"
    hours = None
    if per_h is not None:
        hours = max(0.0, free_mb - keep_mb) * _MB / per_h
        values["hours_left"] = round(hours, 1)
        seen += f"; {per_h / _MB:.1f} MB an hour ({by}): room for {_days(hours)}"
        if keep_mb:
            seen += f" until {keep_mb} MB are left, themselves {_days(keep_mb * _MB / per_h)}"
    if free_mb < keep_mb or free_mb < 50:
        do = f"Copy run logs away and delete them; rigmon keeps {keep_mb} MB free by deleting scored ones."
        if not rig.log_space.delete_unscored:
            do += " Unscored ones stay: score them."
        return (wrong if free_mb < 50 else look)("disk_space", title, seen, do, **values)
    if hours is not None and hours < 2 * _WORKDAY_H:
        return look(
            "disk_space", title, seen, "Copy run logs away and delete them before the next days.", **values
        )
    return ok("disk_space", title, seen, **values)


def _mb(number: float) -> str:
    return f"{number / 1000:.1f} GB" if number >= 1000 else f"{number:.0f} MB"


def _days(hours: float) -> str:
    if hours < 2 * _WORKDAY_H:
        return f"{hours:.0f} h"
    return f"{min(hours / _WORKDAY_H, 9999):.0f} days of {_WORKDAY_H:.0f} h"


# -- speed -------------------------------------------------------------------------------------------------


def commit_times_s(folder: Path, rig_toml: str) -> list[float]:
    """How long real commits of a run log take there, each of about a second of readings, synced to the card.

    The log is made in a folder of its own, which is removed. Raises OSError, LogError or sqlite3.Error.
    """
    times: list[float] = []
    with tempfile.TemporaryDirectory(prefix=".rigmon-doctor-", dir=folder) as place:
        header = run_header(new_run_id(), "doctor", rig_toml)
        store = Store(Path(place) / "write-test.sqlite", header)
        try:
            began = time.monotonic()
            for n in range(_COMMITS):
                if n and time.monotonic() - began > _LONGEST_TEST_S:
                    break
                first = n * _LINES
                readings = [
                    Reading(
                        seq,
                        seq * 25_000_000,
                        Source.GPS,
                        NmeaLine(_LINE % (seq % 86_400, seq % 100, seq % 256)),
                    )
                    for seq in range(first, first + _LINES)
                ]
                start = time.perf_counter()
                store.commit(readings, (), ())
                times.append(time.perf_counter() - start)
        finally:
            store.close()
    return times


def _speed(there: Path, rig_toml: str) -> Finding:
    title = "Write speed"
    try:
        times = commit_times_s(there, rig_toml)
    except Exception as error:  # whatever the card does; sqlite3's errors are not this layer's to name
        return wrong(
            "write_speed", title, f"a test log in {there} failed: {error}",
            "The card is full, read-only or failing: 'dmesg' tells; put in another one.",
        )  # fmt: skip
    middle, worst = median(times), max(times)
    seen = f"a commit takes {1000 * middle:.1f} ms, at worst {1000 * worst:.0f} ms ({len(times)} commits)"
    values: Values = {
        "median_ms": round(1000 * middle, 2),
        "worst_ms": round(1000 * worst, 2),
        "commits": len(times),
    }
    if worst > _SLOW_S:
        return wrong(
            "write_speed",
            title,
            seen,
            "Slower than 1 s raises 'run log trouble', and a power cut costs more: a card made for endurance "
            "(A1 or better) helps.",
            **values,
        )
    if middle > _SLUGGISH_MEDIAN_S or worst > _SLOW_S / 2:
        return look(
            "write_speed", title, seen, "Slow: a worn card becomes slower; have a new one ready.", **values
        )
    return ok("write_speed", title, seen, **values)
