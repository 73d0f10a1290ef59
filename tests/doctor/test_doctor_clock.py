"""The board's clock against the GPS, and what keeps it."""

from datetime import UTC, datetime, timedelta

import pytest
from boards import NOON_NS, FakeMachine, only
from test_doctor_stream import heard, rmc, surveyed

from rigmon.doctor import clock
from rigmon.doctor.findings import Finding
from rigmon.doctor.machine import Ran
from rigmon.rig import Rig

STEP = Ran(0, "NTPSynchronized=yes", "")


def against(machine: FakeMachine, rig: Rig, ahead_s: float, date: str = "300526") -> Finding:
    """The finding where the board's clock is so far ahead; bursts are stamped from 0 on, noon."""
    gps = surveyed(heard([rmc(f"12000{n}.00", date=date) for n in range(4)], 1), rig)
    machine.now_ns = NOON_NS + round(ahead_s * 1e9)
    return only(clock.check(machine, gps, machine.now_ns, ""), "clock")


@pytest.mark.parametrize(
    ("ahead_s", "state", "words"),
    [
        (0.3, "ok", "+0.30 s"),
        (-1.0, "ok", "-1.00 s"),
        (-90.0, "look", "90.0 s behind"),
        (3 * 3600.0, "look", "3.0 h ahead"),
        (-20 * 3600.0, "wrong", "20.0 h behind"),
        (-400 * 86400.0, "wrong", "400 days behind"),
    ],
)
def test_how_far_it_is_off(ahead_s: float, state: str, words: str, gps_rig: Rig, pi4: FakeMachine) -> None:
    told = against(pi4, gps_rig, ahead_s)
    assert told.state == state
    assert words in told.seen
    assert told.values["clock_minus_gps_s"] == pytest.approx(ahead_s)


def test_the_day_of_the_tests_is_what_it_says() -> None:
    assert datetime.fromtimestamp(NOON_NS / 1e9, UTC) == datetime(2026, 5, 30, 12, tzinfo=UTC)


def test_a_receiver_whose_week_has_rolled_over(gps_rig: Rig, pi4: FakeMachine) -> None:
    """1024 weeks are 7168 days: 2026-05-30 then reads 2006-10-14."""
    rolled = datetime(2026, 5, 30, tzinfo=UTC) - timedelta(days=7168)
    assert f"{rolled:%d%m%y}" == "141006"
    told = against(pi4, gps_rig, 0.2, "141006")
    assert told.state == "wrong"
    assert "1024 weeks" in told.seen
    # dates before 1980 + 20 cannot even be read as a date
    told = against(pi4, gps_rig, 0.2, "151294")
    assert told.state == "wrong"
    assert "rolled over" in told.seen


@pytest.mark.parametrize(("late_s", "state"), [(0.15, "ok"), (0.79, "ok"), (1.6, "look")])
def test_how_late_the_sentences_are_where_the_clock_is_in_step(
    late_s: float, state: str, gps_rig: Rig, pi4: FakeMachine
) -> None:
    """Low-cost 1 Hz receivers lag by up to 2.16 s (Supej & Cuk 2014, Sensors 14:23490)."""
    pi4.commands["timedatectl"] = STEP
    told = against(pi4, gps_rig, late_s)
    assert told.state == state
    assert f"{late_s:.2f} s after the fix" in told.seen


def test_a_clock_that_was_never_set(gps_rig: Rig, pi4: FakeMachine) -> None:
    assert against(pi4, gps_rig, -3000 * 86400.0).state == "wrong"


def test_without_a_fix_there_is_nothing_to_compare(gps_rig: Rig, pi4: FakeMachine) -> None:
    gps = surveyed(heard([rmc("120000.00", status="V", mode="N", speed="")] * 3, 1), gps_rig)
    assert only(clock.check(pi4, gps, NOON_NS, ""), "clock").state == "unknown"
    told = only(clock.check(pi4, None, 0, "the port is held"), "clock")
    assert told.seen == "not checked: the port is held"


def keeper(machine: FakeMachine) -> Finding:
    return only(clock.check(machine, None, 0, "no GPS"), "clock_keeper")


def test_a_board_without_a_clock_of_its_own(pi4: FakeMachine) -> None:
    assert keeper(pi4).state == "look"
    pi4.commands["timedatectl"] = STEP
    assert keeper(pi4).seen == "network time, in step; no clock of its own"
    assert keeper(pi4).state == "ok"


def test_network_time_by_its_mark_where_there_is_no_timedatectl(pi4: FakeMachine) -> None:
    assert keeper(pi4).values["ntp_synchronised"] is None
    pi4.put("/run/systemd/timesync/synchronized")
    assert keeper(pi4).values["ntp_synchronised"] is True
    pi4.commands["timedatectl"] = Ran(0, "NTPSynchronized=no", "")
    assert keeper(pi4).values["ntp_synchronised"] is False


@pytest.mark.parametrize(("microvolts", "state"), [("3012345", "ok"), ("12000", "look")])
def test_the_clock_of_a_pi_5_needs_its_battery(microvolts: str, state: str, pi5: FakeMachine) -> None:
    pi5.put("/sys/class/rtc/rtc0/name", "rpi_rtc")
    pi5.put("/sys/class/rtc/rtc0/battery_voltage", microvolts)
    told = keeper(pi5)
    assert told.state == state
    assert ("without battery" in told.seen) == (state == "look")
