"""The receiver's sentences: format, time, place, noise, lateness, and what happens without a fix."""

from datetime import UTC, datetime, timedelta, timezone
from math import exp

import numpy as np
import pynmea2
import pytest
from geographiclib.geodesic import Geodesic
from written import KNOT_M_S, checksum_holds, degrees, fields, still_driver

from rigmon.simulate import Event, Scenario, Simulation, simulate


def speeds(simulation: Simulation) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and written speeds [m/s] of the valid RMC."""
    rmc = [(ms, f) for ms, f in fields(simulation, "RMC") if f[2] == "A"]
    return np.array([ms for ms, _ in rmc]) / 1000, np.array([float(f[7]) for _, f in rmc]) * KNOT_M_S


def long_drive(**parameters: object) -> Simulation:
    """One pass of an hour, so that noise can be measured: 2 m/s, 5 Hz, 18 000 fixes."""
    asked = {"passes": 1, "pass_length_m": 7200.0, "sentences": ("RMC",), "sensors": ()}
    return simulate(still_driver(**(asked | parameters)))


def residuals(simulation: Simulation, late_s: float = 0.0) -> np.ndarray:
    """Written minus true speed, `late_s` ago, well inside the pass."""
    return off(simulation, *speeds(simulation), late_s)


def off(simulation: Simulation, t: np.ndarray, written: np.ndarray, late_s: float) -> np.ndarray:
    inside = (t > 30) & (t < t[-1] - 30)
    true = np.interp(t - late_s, simulation.trace.t_s, simulation.trace.speed_m_s)
    return (written - true)[inside]


def test_every_sentence_parses_with_its_checksum() -> None:
    """pynmea2 as an outside reader, and the checksum worked out anew."""
    simulation = simulate(Scenario(passes=1, nmea41=True, talker="gn"))
    kinds = set()
    for line in simulation.lines:
        assert checksum_holds(line)
        assert len(line) <= 80  # NMEA 0183: at most 82 characters with CR LF (from memory)
        kinds.add(type(pynmea2.parse(line.decode("ascii"), check=True)).__name__)
    assert kinds == {"RMC", "VTG", "GGA", "XDR"}
    assert {line[:3] for line in simulation.lines} == {b"$GN", b"$YX"}


def test_within_an_epoch_the_receiver_speaks_first_and_rmc_before_the_rest() -> None:
    lines = simulate(Scenario(passes=1)).lines
    kinds = [line[3:6].decode() for line in lines]
    assert kinds == ["RMC", "VTG", "GGA", "XDR"] * (len(lines) // 4)


def test_rmc_vtg_and_gga_of_an_epoch_agree() -> None:
    simulation = simulate(Scenario(passes=1))
    together = zip(
        fields(simulation, "RMC"), fields(simulation, "VTG"), fields(simulation, "GGA"), strict=True
    )
    for (ms, rmc), (ms_vtg, vtg), (ms_gga, gga) in together:
        assert ms == ms_vtg == ms_gga
        assert (rmc[7], rmc[8]) == (vtg[5], vtg[1])
        assert abs(float(vtg[5]) * 1.852 - float(vtg[7])) < 0.02  # both printed to 0.01
        assert rmc[1] == gga[1]
        assert rmc[3:7] == gga[2:6]


@pytest.mark.parametrize("hz", [1, 3, 5, 8, 20])
def test_epochs_are_whole_multiples_of_the_period(hz: int) -> None:
    simulation = simulate(Scenario(passes=1, pass_length_m=20.0, gps_hz=hz, sentences=("GGA",), sensors=()))
    for k, (ms, gga) in enumerate(fields(simulation, "GGA")):
        assert ms == round(1000 * k / hz)
        clock = datetime.strptime(gga[1], "%H%M%S.%f")
        after = timedelta(hours=clock.hour - 9, minutes=clock.minute, seconds=clock.second)
        assert after + timedelta(microseconds=clock.microsecond) == timedelta(milliseconds=ms)


def test_the_date_rolls_over_at_midnight_of_utc() -> None:
    """23:59:50 UTC on the last of February of a leap year, given as an evening west of Greenwich."""
    west = timezone(timedelta(hours=-6))
    start = datetime(2028, 2, 29, 17, 59, 50, tzinfo=west)
    simulation = simulate(Scenario(passes=1, start_utc=start, sentences=("RMC",), gps_hz=1))
    written = {rmc[1]: rmc[9] for _, rmc in fields(simulation, "RMC")}
    assert written["235950.00"] == written["235959.00"] == "290228"
    assert written["000000.00"] == written["000030.00"] == "010328"


@pytest.mark.parametrize(
    ("lat", "lon", "letters"),
    [(40, -40, ("N", "W")), (-40, 100, ("S", "E")), (30, 150, ("N", "E")), (-30, -20, ("S", "W"))],
)
def test_hemispheres_have_their_letters(lat: float, lon: float, letters: tuple[str, str]) -> None:
    simulation = simulate(Scenario(passes=1, pass_length_m=20.0, origin_lat_deg=lat, origin_lon_deg=lon))
    for _, rmc in fields(simulation, "RMC"):
        assert (rmc[4], rmc[6]) == letters
        assert degrees(rmc[3], rmc[4]) == pytest.approx(lat, abs=0.01)
        assert degrees(rmc[5], rmc[6]) == pytest.approx(lon, abs=0.01)


def test_minutes_never_read_60_and_the_date_line_is_crossed() -> None:
    """Across the equator and the date line: 0.000 01 minutes on either side carry into whole degrees."""
    simulation = simulate(
        Scenario(passes=2, origin_lat_deg=-0.0001, origin_lon_deg=179.9999, heading_deg=45.0, gps_hz=10)
    )
    seen = set()
    for _, rmc in fields(simulation, "RMC"):
        assert float(rmc[3][2:]) < 60
        assert float(rmc[5][3:]) < 60
        assert int(rmc[3][:2]) <= 90
        assert int(rmc[5][:3]) <= 180
        seen.add((rmc[4], rmc[6]))
    assert {("S", "E"), ("N", "W")} <= seen


def test_written_positions_keep_the_distance_and_course_by_geographiclib() -> None:
    """Karney's GeographicLib (PyPI geographiclib) against the written positions of both passes."""
    simulation = simulate(
        still_driver(
            passes=2, pass_length_m=150.0, origin_lat_deg=-33.0, heading_deg=67.0, position_decimals=7
        )
    )
    trace = simulation.trace
    for leg, (first, last, course) in enumerate(((20.0, 70.0, 67.0), (105.0, 155.0, 247.0))):
        ends = []
        for ms, rmc in fields(simulation, "RMC"):
            if ms in (first * 1000, last * 1000):
                assert bool(trace.boom_on[trace.cell_at(np.array([ms / 1000]))[0]])
                assert float(rmc[8]) == pytest.approx(course, abs=0.06)
                ends.append((degrees(rmc[3], rmc[4]), degrees(rmc[5], rmc[6])))
        line = Geodesic.WGS84.Inverse(*ends[0], *ends[1])
        driven = np.interp(last, trace.t_s, trace.path_m) - np.interp(first, trace.t_s, trace.path_m)
        assert driven == pytest.approx(100.0, abs=1e-6), leg  # 50 s at 2 m/s
        assert line["s12"] == pytest.approx(driven, abs=0.001)
        assert line["azi1"] % 360 == pytest.approx(course, abs=0.01)


def test_neighbouring_passes_are_a_swath_apart_by_geographiclib() -> None:
    """Turns of half the swath make passes abut: 5 m between a place in pass 1 and the same in pass 2."""
    simulation = simulate(still_driver(passes=2, pass_length_m=100.0, position_decimals=7, gps_hz=20))
    trace = simulation.trace
    places = {}
    for metres in (6 + 50.0, 112 + 2.5 * np.pi + 6 + 50.0):  # headland 6 m, half of each pass
        when = np.interp(metres, trace.path_m, trace.t_s)
        ms, rmc = min(fields(simulation, "RMC"), key=lambda timed: abs(timed[0] / 1000 - when))
        assert abs(ms / 1000 - when) <= 0.026
        places[metres] = (degrees(rmc[3], rmc[4]), degrees(rmc[5], rmc[6]))
    (a, b) = places.values()
    assert Geodesic.WGS84.Inverse(*a, *b)["s12"] == pytest.approx(5.0, abs=0.01)


def test_white_noise_has_the_standard_deviation_asked_for() -> None:
    noise = residuals(long_drive(white_noise_m_s=0.04))
    # 17 700 draws: standard error 0.5 %, so 3 % is six of them
    assert noise.std() == pytest.approx(0.04, rel=0.03)
    assert abs(noise.mean()) < 6 * 0.04 / len(noise) ** 0.5
    assert abs(np.corrcoef(noise[1:], noise[:-1])[0, 1]) < 0.05


def test_correlated_noise_has_its_standard_deviation_and_time_constant() -> None:
    noise = residuals(long_drive(correlated_noise_m_s=0.06, correlated_tau_s=2.0))
    # 3 500 s at tau 2 s: about 900 independent values, standard error 2.4 %
    assert noise.std() == pytest.approx(0.06, rel=0.1)
    for lag in (1, 5, 10):  # AR(1): autocorrelation exp(-t/tau)
        assert np.corrcoef(noise[lag:], noise[:-lag])[0, 1] == pytest.approx(exp(-lag * 0.2 / 2), abs=0.08)


def test_position_noise_has_its_standard_deviation() -> None:
    quiet, noisy = long_drive(), long_drive(position_noise_m=0.5, position_noise_tau_s=2.0)
    off_m = [
        (degrees(b[3], b[4]) - degrees(a[3], a[4])) * 111_132  # metres to a degree, near enough here
        for (_, a), (_, b) in zip(fields(quiet, "RMC"), fields(noisy, "RMC"), strict=True)
    ]
    assert np.std(off_m) == pytest.approx(0.5, rel=0.1)


@pytest.mark.parametrize("latency_s", [0.0, 0.4, 1.0])
def test_the_lateness_can_be_measured_in_the_written_speeds(latency_s: float) -> None:
    """The lag at which written and true speed differ least is the one asked for."""
    simulation = long_drive(
        latency_s=latency_s, wander_sd_m_s=0.2, white_noise_m_s=0.04, pass_length_m=2000.0
    )
    lags = np.arange(0.0, 1.5, 0.02)
    said = speeds(simulation)
    spread = [off(simulation, *said, lag).std() for lag in lags]
    assert lags[int(np.argmin(spread))] == pytest.approx(latency_s, abs=0.041)


def test_the_position_is_late_by_the_same() -> None:
    kept = {"passes": 1, "position_decimals": 7}
    now = fields(simulate(still_driver(**kept)), "RMC")
    late = fields(simulate(still_driver(**kept, latency_s=0.4)), "RMC")
    assert [rmc[3:9] for _, rmc in late[2:]] == [rmc[3:9] for _, rmc in now[:-2]]  # two epochs of 0.2 s
    assert [rmc[1] for _, rmc in late] == [rmc[1] for _, rmc in now]  # stamped when sent


@pytest.mark.parametrize(("quantum", "decimals"), [(0.1, 1), (0.01, 2), (0.001, 3)])
def test_speed_is_printed_in_its_quantum(quantum: float, decimals: int) -> None:
    simulation = simulate(Scenario(passes=1, pass_length_m=20.0, speed_quantum_kn=quantum))
    assert all(len(rmc[7].partition(".")[2]) == decimals for _, rmc in fields(simulation, "RMC"))


def test_course_is_left_out_at_standstill() -> None:
    rmc = [f for _, f in fields(simulate(still_driver(passes=1)), "RMC")]
    assert rmc[0][7:9] == ["0.000", ""]
    assert rmc[100][8] != ""


@pytest.mark.parametrize(("nmea41", "tail"), [(False, ["A"]), (True, ["A", "V"])])
def test_nmea_4_1_adds_the_navigational_status(nmea41: bool, tail: list[str]) -> None:
    simulation = simulate(Scenario(passes=1, pass_length_m=20.0, nmea41=nmea41))
    assert all(rmc[12:] == tail for _, rmc in fields(simulation, "RMC"))


def test_a_dropout_silences_the_receiver_and_nothing_else() -> None:
    simulation = simulate(Scenario(passes=1, events=(Event("gps_dropout", 20, 5),)))
    for kind in ("RMC", "VTG", "GGA"):
        heard = [ms for ms, _ in fields(simulation, kind)]
        assert 19_800 in heard
        assert 25_000 in heard
        assert not [ms for ms in heard if 20_000 <= ms < 25_000]
    assert len([ms for ms, _ in fields(simulation, "XDR") if 20_000 <= ms < 25_000]) == 25
    assert simulation.truth["input"]["fixes_missing"] == 25


def test_void_fixes_say_so_and_some_carry_a_garbage_speed() -> None:
    simulation = simulate(
        Scenario(passes=1, nmea41=True, gps_hz=10, events=(Event("void_fix", 20, 10, 0.3),))
    )
    during = [(ms, rmc) for ms, rmc in fields(simulation, "RMC") if 20_000 <= ms < 30_000]
    assert len(during) == 100
    assert all(rmc[2] == "V" and rmc[3:7] == [""] * 4 and rmc[12] == "N" for _, rmc in during)
    with_speed = [float(rmc[7]) for _, rmc in during if rmc[7]]
    assert 15 < len(with_speed) < 45  # 30 of 100; three standard deviations are 14
    assert max(with_speed) > 100  # knots
    void = {ms for ms, _ in during}
    assert all((vtg[9] == "N") == (ms in void) for ms, vtg in fields(simulation, "VTG"))
    assert all((gga[6] == "0") == (ms in void) for ms, gga in fields(simulation, "GGA"))
    assert simulation.truth["input"]["fixes_void"] == 100


def test_a_stuck_receiver_prints_exactly_zero_while_the_rig_moves_on() -> None:
    simulation = simulate(Scenario(passes=1, events=(Event("stuck_zero_speed", 20, 3),)))
    stuck = [rmc[7] for ms, rmc in fields(simulation, "RMC") if 20_000 <= ms < 23_000]
    assert stuck == ["0.00"] * 15
    moving = simulation.trace.speed_m_s[(simulation.trace.t_s > 20) & (simulation.trace.t_s < 23)]
    assert moving.min() > 1.0


def test_start_in_another_zone_is_the_same_instant() -> None:
    utc = datetime(2026, 6, 1, 9, 0, tzinfo=UTC)
    east = utc.astimezone(timezone(timedelta(hours=9)))
    a, b = (simulate(Scenario(passes=1, pass_length_m=20.0, start_utc=start)) for start in (utc, east))
    assert a.recording_bytes() == b.recording_bytes()


def test_a_frozen_speed_repeats_while_positions_go_on() -> None:
    """2 m/s, then 25 % faster: the receiver still says what it said at the freeze."""
    events = (Event("speed_frozen", 30, 20), Event("overspeed", 35, 30, 0.25))
    simulation = simulate(
        still_driver(passes=1, pass_length_m=200.0, events=events, white_noise_m_s=0.1, position_decimals=7)
    )
    t, shown = speeds(simulation)
    frozen = shown[(t >= 30) & (t < 50)]
    assert set(frozen) == {shown[t < 30][-1]}
    assert len(set(shown[(t >= 50) & (t < 60)])) > 10
    rmc = [f for ms, f in fields(simulation, "RMC") if 40_000 <= ms <= 45_000]
    ends = [(degrees(f[3], f[4]), degrees(f[5], f[6])) for f in (rmc[0], rmc[-1])]
    gone = Geodesic.WGS84.Inverse(*ends[0], *ends[1])["s12"]
    assert gone == pytest.approx(2.5 * 5, rel=0.01)


def test_a_late_speed_is_later_than_before_and_positions_are_not() -> None:
    events = (Event("speed_late", 40, 1e5, 1.5), Event("overspeed", 60, 20, 0.25))
    kept = {"passes": 1, "pass_length_m": 200.0, "sentences": ("RMC",), "events": events}
    late, now = simulate(still_driver(**kept)), simulate(still_driver(**{**kept, "events": events[1:]}))
    t, shown = speeds(late)
    expected = np.interp(np.where(t >= 40, t - 1.5, t), late.trace.t_s, late.trace.speed_m_s)
    assert shown == pytest.approx(expected, abs=0.001)
    assert [f[3:7] for _, f in fields(late, "RMC")] == [f[3:7] for _, f in fields(now, "RMC")]


@pytest.mark.parametrize(
    "parameters", [{"smoothing_s": 2.0}, {"events": (Event("speed_smoothed", 5, 1e5, 2.0),)}]
)
def test_a_smoothed_speed_follows_by_the_first_order(parameters: dict[str, object]) -> None:
    """A ramp of a m/s2 is followed later by tau and lower by a tau (1 - exp(-t/tau)); closed form. The rig
    speeds up at 0.5 m/s2 from 5 s: 2 s later it goes 1 m/s and reads 1 - 0.5 x 2 x (1 - exp(-1)) = 0.37."""
    simulation = simulate(still_driver(passes=1, gps_hz=20, **parameters))
    t, shown = speeds(simulation)
    assert shown[np.searchsorted(t, 7.0)] == pytest.approx(1 - 0.5 * 2 * (1 - exp(-1)), abs=0.03)


def test_smoothing_takes_noise_away_and_makes_it_linger() -> None:
    """White noise behind it: variance times (1 - p)/(1 + p), correlation p = exp(-dt/tau) at one step."""
    rest = residuals(long_drive(white_noise_m_s=0.2, smoothing_s=1.0, pass_length_m=3600.0))
    p = exp(-0.2)
    assert rest.std() == pytest.approx(0.2 * ((1 - p) / (1 + p)) ** 0.5, rel=0.05)
    assert np.corrcoef(rest[1:], rest[:-1])[0, 1] == pytest.approx(p, abs=0.03)
