"""The board's clock: against the GPS, and what keeps it."""

from statistics import median
from typing import Final

from rigmon.core.nmea import EARLIEST_DAYS
from rigmon.doctor.findings import Finding, Values, look, ok, unknown, wrong
from rigmon.doctor.machine import Machine
from rigmon.doctor.stream import Survey

_DAY_MS: Final = 86_400_000
#: a receiver's week number rolls over after so long (GPS: 10 bits of weeks)
_ROLLOVER_MS: Final = 1024 * 7 * _DAY_MS
#: arrival of a sentence after the fix it tells of: up to about 2 s on slow receivers and lines
_AGREE_MS: Final = 2500.0
#: later than a burst at a middling baud makes it
_LATE_MS: Final = 800.0
#: a battery of the Pi 5's clock below this is empty or not there
_BATTERY_V: Final = 2.0
#: by which time this was written: a clock before it is wrong
_EARLIEST_MS: Final = 1_735_689_600_000  #: 2025-01-01


def check(
    machine: Machine, gps: Survey | None, wall_minus_monotonic_ns: int, why_no_gps: str
) -> list[Finding]:
    """`gps` None: the port was not listened to, `why_no_gps` says why."""
    synchronised = _synchronised(machine)
    return [
        _against_gps(machine, gps, wall_minus_monotonic_ns, why_no_gps, synchronised),
        _keeping(machine, synchronised),
    ]


def offset_ms(gps: Survey, wall_minus_monotonic_ns: int) -> float | None:
    """How far the board's clock is ahead of the GPS, the sentences' own delay in it; None: no UTC came."""
    offsets = [
        (t_ns + wall_minus_monotonic_ns) / 1e6 - (fix.date_days * _DAY_MS + fix.time_ms)
        for t_ns, fix, _ in gps.rmc
        if fix.valid
        and fix.date_days is not None
        and fix.date_days >= EARLIEST_DAYS
        and fix.time_ms is not None
    ]
    return median(offsets) if offsets else None


def _against_gps(
    machine: Machine, gps: Survey | None, wall_minus_monotonic_ns: int, why: str, synchronised: bool | None
) -> Finding:
    title = "Clock against GPS"
    if machine.wall_ns() / 1e6 < _EARLIEST_MS:
        return wrong(
            "clock", title, "the board's clock is before 2025: it was never set since the start",
            "Run logs are timed by the GPS; but calibrations get their day from this clock: set it, or go "
            "online once.",
        )  # fmt: skip
    if gps is None:
        return unknown("clock", title, why)
    offset = offset_ms(gps, wall_minus_monotonic_ns)
    if offset is None:
        if any(fix.valid and fix.date_days is not None for _, fix, _ in gps.rmc):
            return wrong(
                "clock", title, "the receiver's date cannot be: its week number has rolled over",
                "Update the receiver's firmware, or take another: run logs would carry no date.",
            )  # fmt: skip
        return unknown("clock", title, "no date and time with a fix came")
    values: Values = {"clock_minus_gps_s": round(offset / 1000, 3)}
    weeks = round(offset / _ROLLOVER_MS)
    if weeks and abs(offset - weeks * _ROLLOVER_MS) < _DAY_MS:
        return wrong(
            "clock",
            title,
            f"the receiver's date is {abs(weeks) * 1024} weeks off: its week number has rolled over",
            "Update the receiver's firmware, or take another: run logs would carry that date.",
            **values,
        )
    if abs(offset) <= _AGREE_MS:
        if not synchronised or offset <= 0:
            return ok("clock", title, f"{offset / 1000:+.2f} s", **values)
        seen = f"in step; sentences come {offset / 1000:.2f} s after the fix that they tell of"
        if offset <= _LATE_MS:
            return ok("clock", title, seen, **values)
        return look(
            "clock",
            title,
            seen,
            "The speed is at least so late: fewer sentences, a higher baud or a faster rate help; some "
            "receivers lag by themselves.",
            **values,
        )
    seen = f"the board's clock is {_length(abs(offset) / 1000)} {'ahead' if offset > 0 else 'behind'}"
    do = "Run logs are timed by the GPS, so it does them no harm; calibrations get their day from this clock."
    state = wrong if abs(offset) > _DAY_MS / 2 else look
    return state("clock", title, seen, f"{do} Set it: go online once, or sudo date -s.", **values)


def _length(seconds: float) -> str:
    if seconds < 120:
        return f"{seconds:.1f} s"
    if seconds < 7200:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h" if seconds < 172_800 else f"{seconds / 86_400:.0f} days"


def _synchronised(machine: Machine) -> bool | None:
    """Whether network time keeps the clock now; None: not known."""
    ran = machine.run("timedatectl", "show", "--property=NTPSynchronized", timeout_s=4.0)
    if ran is not None and ran.code == 0 and "=" in ran.out:
        return ran.out.partition("=")[2].strip() == "yes"
    return True if machine.exists("/run/systemd/timesync/synchronized") else None


def _keeping(machine: Machine, synchronised: bool | None) -> Finding:
    title = "Clock kept by"
    rtc = bool(machine.names("/sys/class/rtc/rtc*"))
    battery_v = _battery_v(machine)
    values: Values = {"ntp_synchronised": synchronised, "rtc": rtc, "rtc_battery_v": battery_v}
    network = {True: "network time, in step", False: "no network time now", None: "network time not known"}
    powered = rtc and (battery_v is None or battery_v >= _BATTERY_V)
    own = "a clock of its own" if rtc else "no clock of its own"
    if rtc and battery_v is not None:
        own += f" (battery {battery_v:.1f} V)" if powered else " without battery"
    seen = f"{network[synchronised]}; {own}"
    if powered or synchronised:
        return ok("clock_keeper", title, seen, **values)
    do = "Off the network it starts with the time it was switched off at; run logs take theirs from the GPS."
    if rtc:
        do += " A battery on the board's J5 keeps it."
    return look("clock_keeper", title, seen, do, **values)


def _battery_v(machine: Machine) -> float | None:
    for name in machine.names("/sys/class/rtc/rtc*/battery_voltage"):
        text = machine.text(name) or ""
        if text.isdecimal():
            return int(text) / 1e6
    return None
