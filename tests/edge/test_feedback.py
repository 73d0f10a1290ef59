"""What the driver reads, in both unit systems, and the thread that must never hold up the core."""

import fcntl
import io
import os
import select
import struct
import termios
import threading
from dataclasses import replace

import pytest
from fakes import PATIENCE_S
from hypothesis import given
from hypothesis import strategies as st

from rigmon import config
from rigmon.edge.feedback import (
    HEADER,
    WIDTH,
    TerminalFeedback,
    act_line,
    advice,
    alert_line,
    driver_line,
    run_clock,
)
from rigmon.model import Act, Alert, Anchor, Basis, Flag, Output, Sample, Weather
from rigmon.rig import Rig, WeatherSensor

MPH = 0.44704  # m/s; NIST SP 811 (2008) B.8, exact
GPM = 3.785411784  # L/min; 231 in3, NIST HB 44 Appendix C, exact
GPA = 9.353958  # L/ha per gal/ac, hand-worked: 3.785411784 L / 0.40468564224 ha

#: 17 gal/ac on 20 ft (12 x 20 in) at 3.5 mph, hand-worked: GPM = GPA x mph x W / 495 = 17 x 3.5 x 20 / 495
FLOW_AT_TARGET = 17 * 3.5 * 20 / 495 * GPM


def sample(**changes: object) -> Sample:
    """Boom on by its switch, at the target speed with the target flow from the flowmeter."""
    base = Sample(
        t_ns=751_000_000_000,
        dt_ns=200_000_000,
        lat_deg=None,
        lon_deg=None,
        track_deg=None,
        speed_m_s=3.5 * MPH,
        speed_sd_m_s=0.02,
        flow_l_min=FLOW_AT_TARGET,
        pressure_kpa=None,
        boom_on=1,
        rate_l_ha=17 * GPA,
        rate_u_pct=5.0,
        basis=Basis.FLOWMETER,
        distance_m=0.3,
        area_m2=1.9,
        volume_l=0.03,
        flags=0,
    )
    return base._replace(**changes)  # type: ignore[arg-type]


def test_us_line_at_the_target(us_rig: Rig) -> None:
    # band, hand-worked: 3.5 / 1.1 = 3.18 and 3.5 / 0.9 = 3.89
    assert driver_line(sample(), us_rig, [], "0:12:31") == (
        "0:12:31   3.5 mph  hold      3.5 (3.2-3.9)   17.0 gal/ac   +0% meter  boom on"
    )


def test_metric_line_at_the_target(metric_rig: Rig) -> None:
    # hand-worked: 3.5 mph = 5.63 km/h, band 5.12 .. 6.26; 17 gal/ac = 159.0 L/ha
    assert driver_line(sample(), metric_rig, [], "0:12:31") == (
        "0:12:31  5.6 km/h  hold      5.6 (5.1-6.3)    159 L/ha   +0% meter    boom on"
    )


def wind(**known: float) -> Weather:
    return Weather(0, *[None] * 14)._replace(**known)


# hand-worked: 3.2 m/s / 0.44704 = 7.16 mph; 4.4 m/s = 9.84 mph; 0.4 m/s = 0.89 mph, below 3 mph
def test_the_wind_in_the_unit_of_the_speed_where_there_is_room(us_rig: Rig) -> None:
    windy = replace(us_rig, weather=WeatherSensor(wind="relative"))
    blow = wind(wind_2min_m_s=3.2, wind_2min_from_deg=245.0, gust_m_s=4.4)
    plain = driver_line(sample(), us_rig, [], "0:12:31", weather=blow)
    assert plain.endswith("boom on")  # no sensor, no word of it
    assert driver_line(sample(), windy, [], "0:12:31", weather=blow) == f"{plain}  wind 7.2 WSW g 9.8"
    assert driver_line(sample(), windy, [], "0:12:31", 90, weather=blow) == plain
    assert driver_line(sample(), windy, [], "0:12:31", 95, weather=blow) == f"{plain}  wind 7.2 WSW"
    calm = wind(wind_2min_m_s=0.4)
    assert driver_line(sample(), windy, [], "0:12:31", weather=calm) == f"{plain}  calm 0.9"
    assert driver_line(sample(), windy, [], "0:12:31") == f"{plain}  wind --"
    loud = driver_line(sample(), windy, ["wind_high"], "0:12:31", weather=blow)
    assert loud.endswith("! wind too strong")
    assert len(loud) <= 99


def test_the_line_follows_the_newest_weather(us_rig: Rig) -> None:
    out = io.StringIO()
    feedback = TerminalFeedback(replace(us_rig, weather=WeatherSensor(wind="true")), out)
    feedback.start()
    feedback.publish([wind(wind_2min_m_s=4.4704), sample()])
    feedback.stop()
    assert out.getvalue().rstrip().endswith("wind 10.0")


def test_a_warm_air_alert_in_both_systems(us_rig: Rig, metric_rig: Rig) -> None:
    # hand-worked: 30 x 1.8 + 32 = 86, 29.4444 x 1.8 + 32 = 85
    alert = Alert(0, "temperature_high", True, 30.0, 265 / 9, "°C")
    assert alert_line(alert, us_rig, "0:00:00").endswith("ALERT too warm: 86.0 F, limit 85.0 F")
    assert alert_line(alert, metric_rig, "0:00:00").endswith("ALERT too warm: 30.0 C, limit 29.4 C")


def test_too_fast_says_slower_and_to_which_speed(us_rig: Rig) -> None:
    # hand-worked: at 4.2 mph the same flow gives 17 x 3.5 / 4.2 = 14.17 gal/ac, -16.7 %
    fast = sample(speed_m_s=4.2 * MPH, rate_l_ha=17 * GPA * 3.5 / 4.2, basis=Basis.CALIBRATION)
    assert driver_line(fast, us_rig, ["speed_fast"], "1:00:00") == (
        "1:00:00   4.2 mph  SLOWER to 3.5 (3.2-3.9)   14.2 gal/ac  -17% catch  boom on  ! too fast"
    )


def test_too_slow_says_faster(metric_rig: Rig) -> None:
    slow = sample(speed_m_s=2.8 * MPH, rate_l_ha=17 * GPA * 3.5 / 2.8)
    assert advice(slow, metric_rig) == ("FASTER to", "5.6 (5.1-6.3)")


@pytest.mark.parametrize(
    ("mph", "word"), [(3.17, "FASTER to"), (3.19, "hold"), (3.88, "hold"), (3.90, "SLOWER to")]
)
def test_the_band_decides(us_rig: Rig, mph: float, word: str) -> None:
    assert advice(sample(speed_m_s=mph * MPH), us_rig)[0] == word


def test_the_speed_to_hold_follows_the_flow_when_pressure_sags(us_rig: Rig) -> None:
    # orifice law, hand-worked: 64 % of the pressure gives sqrt(0.64) = 80 % of the flow; 0.8 x 3.5 = 2.8 mph
    sagging = sample(flow_l_min=0.8 * FLOW_AT_TARGET, rate_l_ha=0.8 * 17 * GPA, basis=Basis.PRESSURE)
    assert driver_line(sagging, us_rig, ["pressure_loss"], "0:00:01") == (
        "0:00:01   3.5 mph  SLOWER to 2.8 (2.5-3.1)   13.6 gal/ac  -20% gauge  boom on  ! pressure loss"
    )


def test_unknown_speed_shows_no_number(us_rig: Rig) -> None:
    lost = sample(speed_m_s=None, speed_sd_m_s=None, rate_l_ha=None, flags=Flag.GPS_STALE)
    assert driver_line(lost, us_rig, ["gps_lost"], "0:12:31") == (
        "0:12:31    -- mph  speed unknown 3.5 (3.2-3.9)     -- gal/ac          boom on  ! GPS lost"
    )


def test_nothing_known_shows_no_number_at_all(metric_rig: Rig) -> None:
    nothing = sample(
        speed_m_s=None, speed_sd_m_s=None, flow_l_min=None, boom_on=None, rate_l_ha=None, basis=Basis.NONE
    )
    line = driver_line(nothing, metric_rig, [], "0:00:00")
    assert line == "0:00:00   -- km/h  speed unknown --            -- L/ha                boom --"
    assert not any(c.isdigit() for c in line.removeprefix("0:00:00"))


def test_unknown_flow_gives_no_speed_to_hold(us_rig: Rig) -> None:
    assert advice(sample(flow_l_min=None, rate_l_ha=None), us_rig) == ("flow unknown", "--")
    assert advice(sample(flow_l_min=0.0, rate_l_ha=0.0), us_rig) == ("no flow", "--")


def test_boom_off_shows_the_target_speed_and_no_rate(us_rig: Rig) -> None:
    off = sample(boom_on=0, flow_l_min=0.0, rate_l_ha=None, basis=Basis.NONE, flags=Flag.BOOM_INFERRED)
    assert driver_line(off, us_rig, [], "0:12:31") == (
        "0:12:31   3.5 mph  boom off  3.5               -- gal/ac              boom off?"
    )


@pytest.mark.parametrize("flag", [Flag.BOOM_INFERRED, Flag.BOOM_ASSUMED])
def test_a_boom_state_without_switch_is_marked(us_rig: Rig, flag: Flag) -> None:
    assert driver_line(sample(flags=flag), us_rig, [], "0:00:00").endswith("boom on?")


def test_standing_still_is_stopped(us_rig: Rig) -> None:
    still = sample(speed_m_s=0.0, rate_l_ha=None, flags=Flag.BELOW_MIN_SPEED)
    assert advice(still, us_rig)[0] == "stopped"


def test_the_deviation_is_never_minus_zero(us_rig: Rig) -> None:
    assert " +0% " in driver_line(sample(rate_l_ha=17 * GPA * 0.999), us_rig, [], "0:00:00")


def test_more_alerts_than_fit_are_counted_the_most_urgent_first(us_rig: Rig) -> None:
    line = driver_line(sample(), us_rig, ["speed_slow", "run_log_trouble", "gps_lost"], "0:00:00")
    assert line.endswith("boom on  ! GPS lost +2")
    assert driver_line(sample(), us_rig, ["brand_new"], "0:00:00").endswith("! brand new")


@given(
    st.floats(0, 20),
    st.floats(0, 300),
    st.floats(0, 5000),
    st.sampled_from([None, 0, 1]),
    st.sampled_from(list(Basis)),
    st.sets(st.sampled_from(config.ALERT_CODES)),
    st.sampled_from(["us", "metric"]),
    st.integers(0, (1 << 17) - 1),
)
def test_any_sample_gives_one_plain_line_below_100_columns(
    speed: float,
    flow: float,
    rate: float,
    boom: int | None,
    basis: Basis,
    alerts: set[str],
    system: str,
    flags: int,
) -> None:
    rig = replace(config.parse(_TOML, "rig.toml"), units=system)
    shown = sample(speed_m_s=speed, flow_l_min=flow, rate_l_ha=rate, boom_on=boom, basis=basis, flags=flags)
    line = driver_line(shown, rig, alerts, "99:59:59")
    assert len(line) <= WIDTH < 100
    assert line.isascii()
    assert line.isprintable()


def test_alert_lines_convert_value_and_limit(us_rig: Rig, metric_rig: Rig) -> None:
    # hand-worked: 40 psi x 0.8 = 32 psi = 220.6 kPa; 25 psi = 172.4 kPa
    loss = Alert(61_000_000_000, "pressure_loss", True, 172.369, 220.632, "kPa")
    assert alert_line(loss, us_rig, "0:01:01") == "0:01:01  ALERT pressure loss: 25.0 psi, limit 32.0 psi"
    assert alert_line(loss, metric_rig, "0:01:01") == "0:01:01  ALERT pressure loss: 172 kPa, limit 221 kPa"
    over = loss._replace(raised=False, value=None)
    assert alert_line(over, us_rig, "0:01:01") == "0:01:01  over:  pressure loss: limit 32.0 psi"
    silent = Alert(0, "gps_lost", True, None, None, "")
    assert alert_line(silent, us_rig, "0:00:00") == "0:00:00  ALERT GPS lost"
    seconds = Alert(0, "gps_lost", True, 2.5, 2.0, "s")
    assert alert_line(seconds, us_rig, "0:00:00") == "0:00:00  ALERT GPS lost: 2.5 s, limit 2 s"


def test_what_was_acknowledged_stands_behind_the_rest_in_brackets(us_rig: Rig) -> None:
    codes = ["pressure_loss", "gps_lost", "speed_fast"]
    said = driver_line(sample(), us_rig, codes, "0:12:31", 140, {"pressure_loss"})
    assert said.endswith("  ! GPS lost, too fast, (pressure loss)")
    assert driver_line(sample(), us_rig, ["gps_lost"], "0:12:31", 99, {"gps_lost"}).endswith("  ! (GPS lost)")


@pytest.mark.parametrize(
    ("act", "us", "metric"),
    [
        # 25 gal x 3.785411784 L/gal = 94.6 L
        (Act(0, "refill", "", 25 * 3.785411784, False), "refill: 25.0 gal", "refill: 94.6 L"),
        (Act(0, "refill", "", None, True), "refill: an unmeasured volume, the tank is full", None),
        (Act(0, "acknowledge", "gps_lost"), "acknowledged: GPS lost", None),
        (Act(0, "note", "wind\nis up"), "note: wind is up", None),
        (Act(0, "end_run", "field done"), "ended by a person: field done", None),
        (Act(0, "retarget", "2026-05-30 target 1"), "target chosen: 2026-05-30 target 1", None),
    ],
)
def test_what_people_did_is_a_line(
    act: Act, us: str, metric: str | None, us_rig: Rig, metric_rig: Rig
) -> None:
    assert act_line(act, us_rig, "0:12:31") == f"0:12:31  {us}"
    assert act_line(act, metric_rig, "0:12:31") == f"0:12:31  {metric or us}"


def test_the_terminal_shows_acts_and_forgets_acknowledgements_with_the_alert(us_rig: Rig) -> None:
    out = io.StringIO()
    feedback = TerminalFeedback(us_rig, out)
    up = Alert(0, "gps_lost", True, None, None, "s")
    feedback.start()
    feedback.publish([up, Act(0, "acknowledge", "gps_lost"), sample()])
    feedback.stop()
    feedback.start()
    feedback.publish([up, Act(0, "acknowledge", "gps_lost"), up._replace(raised=False), up, sample()])
    feedback.stop()
    first, second = out.getvalue().split(HEADER.rstrip())[1:]
    assert "  acknowledged: GPS lost\n" in first
    assert first.endswith("  ! (GPS lost)\n")
    assert second.endswith("  ! GPS lost\n")


def test_another_target_is_shown_from_then_on(us_rig: Rig) -> None:
    out = io.StringIO()
    feedback = TerminalFeedback(us_rig, out)
    feedback.start()
    # 3.5 times the rate: hand-worked, 3.5 / 3.5 = 1.0, 1 / 1.1 = 0.91 and 1 / 0.9 = 1.11
    feedback.use(replace(us_rig, target=replace(us_rig.target, rate_l_ha=59.5 * GPA)))
    feedback.publish([sample()])
    feedback.stop()
    assert "SLOWER to 1.0 (0.9-1.1)" in out.getvalue()


def test_the_run_clock() -> None:
    assert run_clock(0) == "0:00:00"
    assert run_clock(3_600_000_000_000 + 62_999_999_999) == "1:01:02"


# -- the thread ----------------------------------------------------------------------------------------


class Terminal(io.StringIO):
    """Collects text; lets a test wait for some of it, or hold the writer up."""

    def __init__(self) -> None:
        super().__init__()
        self._more = threading.Condition()
        self.flowing = threading.Event()
        self.flowing.set()
        self.entered = threading.Event()

    def write(self, text: str) -> int:
        self.entered.set()
        assert self.flowing.wait(PATIENCE_S)
        with self._more:
            n = super().write(text)
            self._more.notify_all()
        return n

    def wait_for(self, text: str) -> None:
        with self._more:
            assert self._more.wait_for(lambda: text in self.getvalue(), PATIENCE_S), self.getvalue()


RAISED = Alert(751_000_000_000, "gps_lost", True, None, None, "")


def test_piped_it_writes_plain_lines(us_rig: Rig) -> None:
    out = Terminal()
    feedback = TerminalFeedback(us_rig, out, every_s=3600.0)
    feedback.start()
    feedback.publish([sample(), Anchor(0, None)])
    out.wait_for("boom on\n")
    feedback.stop()
    assert out.getvalue() == f"{HEADER}\n{driver_line(sample(), us_rig, [], '0:12:31')}\n"


def test_between_lines_samples_wait_but_an_alert_is_shown_at_once(us_rig: Rig) -> None:
    out = Terminal()
    feedback = TerminalFeedback(us_rig, out, every_s=3600.0)
    feedback.start()
    feedback.publish([sample()])
    out.wait_for("boom on\n")
    feedback.publish([sample(t_ns=752_000_000_000)])  # within the hour: waits
    feedback.publish([sample(t_ns=753_000_000_000), RAISED._replace(t_ns=753_000_000_000)])
    out.wait_for("! GPS lost\n")
    feedback.publish([sample(t_ns=754_000_000_000), RAISED._replace(t_ns=754_000_000_000, raised=False)])
    out.wait_for("over:  GPS lost\n")
    feedback.stop()
    text = out.getvalue()
    assert "0:12:32" not in text
    assert "0:12:33  ALERT GPS lost\n0:12:33   3.5 mph" in text
    assert text.endswith("boom on\n")  # over means no longer shown


def test_a_line_that_nothing_follows_does_not_pose_as_live(us_rig: Rig) -> None:
    out = Terminal()
    feedback = TerminalFeedback(us_rig, out, every_s=0.0, stale_s=0.0)
    feedback.start()
    feedback.publish([sample()])
    out.wait_for("no data for 0 s\n")
    feedback.publish([sample(t_ns=752_000_000_000)])
    out.wait_for("0:12:32   3.5 mph")
    feedback.stop()
    lines = out.getvalue().splitlines()
    assert lines[2] == "     --  no data for 0 s"
    assert sum("no data" in line for line in lines) <= 2  # said once a silence


def test_before_the_first_sample_and_without_a_limit_no_silence_is_told(us_rig: Rig) -> None:
    now_s = 0.0
    out = Terminal()
    feedback = TerminalFeedback(us_rig, out, every_s=0.0, monotonic_s=lambda: now_s)
    feedback.start()
    out.wait_for("wrong\n")
    now_s = 1e6
    feedback.publish([sample()])
    out.wait_for("boom on\n")
    now_s = 2e6
    feedback.tell(0, "still here")
    out.wait_for("still here\n")
    feedback.stop()
    assert "no data" not in out.getvalue()


def test_what_the_driver_is_told_is_shown_at_once(us_rig: Rig) -> None:
    out = Terminal()
    feedback = TerminalFeedback(us_rig, out, every_s=3600.0)
    feedback.start()
    feedback.tell(751_000_000_000, "GPS: closed: unplugged")
    out.wait_for("unplugged\n")
    feedback.stop()
    assert out.getvalue() == f"{HEADER}\n0:12:31  GPS: closed: unplugged\n"


def test_the_last_sample_is_shown_at_the_end(us_rig: Rig) -> None:
    out = Terminal()
    feedback = TerminalFeedback(us_rig, out, every_s=3600.0)
    feedback.start()
    feedback.publish([sample()])
    out.wait_for("boom on\n")
    feedback.publish([sample(t_ns=752_000_000_000)])
    feedback.stop()
    assert "0:12:32   3.5 mph" in out.getvalue()


def test_a_stuck_terminal_holds_up_nobody_and_gets_the_newest_when_it_runs_again(us_rig: Rig) -> None:
    out = Terminal()
    out.flowing.clear()
    feedback = TerminalFeedback(us_rig, out, every_s=0.0)
    feedback.start()
    assert out.entered.wait(PATIENCE_S)
    for n in range(1000):
        feedback.publish([sample(t_ns=n * 1_000_000_000), RAISED._replace(t_ns=n * 1_000_000_000)])
    feedback.stop(timeout_s=0.0)
    assert feedback.trouble == "the terminal takes no output"
    out.flowing.set()  # let the thread go
    out.wait_for("what is wrong\n")


def test_after_a_hold_up_the_newest_sample_wins_and_missed_alerts_are_counted(us_rig: Rig) -> None:
    out = Terminal()
    out.flowing.clear()
    feedback = TerminalFeedback(us_rig, out, every_s=0.0)
    feedback.start()
    assert out.entered.wait(PATIENCE_S)
    outputs: list[Output] = []
    for n in range(60):
        outputs += [sample(t_ns=n * 1_000_000_000), RAISED._replace(t_ns=n * 1_000_000_000)]
    feedback.publish(outputs)
    out.flowing.set()
    out.wait_for("! GPS lost\n")
    feedback.stop()
    text = out.getvalue()
    assert "10 changes not shown\n" in text  # 60 less the 50 that are kept
    assert text.count("ALERT GPS lost") == 50
    assert text.count("mph") == 1
    assert "0:00:59   3.5 mph" in text


def test_a_closed_pipe_ends_the_lines_not_the_run(us_rig: Rig) -> None:
    read_end, write_end = os.pipe()
    os.close(read_end)
    with open(write_end, "w", encoding="ascii") as out:
        feedback = TerminalFeedback(us_rig, out, every_s=0.0)
        feedback.start()
        feedback.publish([sample(), RAISED])
        feedback.stop(PATIENCE_S)
    assert feedback.trouble is not None
    assert "Broken pipe" in feedback.trouble


def test_on_a_terminal_the_newest_line_is_rewritten_in_place(
    us_rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    master, slave = os.openpty()
    with open(master, "rb", buffering=0) as screen, open(slave, "w", encoding="ascii") as out:
        feedback = TerminalFeedback(us_rig, out, every_s=0.0)
        feedback.start()
        text = _read_until(screen, b"wrong\r\n")
        feedback.publish([sample(), RAISED])
        text += _read_until(screen, b"! GPS lost")
        feedback.stop()
        text += _read_until(screen, b"\n")
    line = driver_line(sample(), us_rig, ["gps_lost"], "0:12:31")
    assert text == (f"{HEADER}\r\n\r\x1b[K0:12:31  ALERT GPS lost\r\n\r\x1b[K{line}\r\n".encode())


def test_on_a_narrow_terminal_lines_are_cut_so_that_they_do_not_wrap(
    us_rig: Rig, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TERM", "xterm")
    master, slave = os.openpty()
    fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 40, 0, 0))
    with open(master, "rb", buffering=0) as screen, open(slave, "w", encoding="ascii") as out:
        feedback = TerminalFeedback(us_rig, out, every_s=0.0)
        feedback.start()
        _read_until(screen, b"\r\n")
        feedback.publish([sample()])
        feedback.stop()
        text = _read_until(screen, b"\n")
    assert text == f"\r\x1b[K{driver_line(sample(), us_rig, [], '0:12:31')[:39]}\r\n".encode()


@pytest.mark.parametrize("width", [99, 90, 79, 66])
def test_what_is_wrong_is_seen_on_narrow_terminals_too(us_rig: Rig, width: int) -> None:
    line = driver_line(sample(), us_rig, ["pressure_loss", "rate_low"], "0:12:31", width)
    assert len(line) <= width
    assert "! pressure loss" in line
    assert "hold" in line
    assert ("gal/ac" in line) is (width >= 90)


def _read_until(screen: io.FileIO, end: bytes) -> bytes:
    text = b""
    while not text.endswith(end):
        assert select.select([screen], [], [], PATIENCE_S)[0], text
        text += screen.read(1) or b""
    return text


_TOML = """
[rig]
name = "Creek rig"
nozzle_count = 12
nozzle_spacing = "20 in"
[target]
rate = "17 gal/ac"
speed = "3.5 mph"
[calibration]
flow = "2.4 gal/min"
pressure = "40 psi"
"""
