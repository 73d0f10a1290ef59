"""The receiver: which sentence gives the speed, what void means, positions where no speed is, wall time."""

from datetime import UTC, datetime

import pytest
from geographiclib.geodesic import Geodesic
from helpers import make_rig
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.gnss import Receiver
from rigmon.core.nmea import Gga, Rmc, Vtg, Zda
from rigmon.model import Anchor

VOID_RMC = Rmc(None, None, False, None, None, None, None)
DAY_MS = 86_400_000


def ns(seconds: float) -> int:
    return round(seconds * 1e9)


def receiver() -> Receiver:
    return Receiver(make_rig())


def rmc(
    speed: float | None, *, lat: float | None = 48.0, lon: float | None = 11.0, track: float | None = 90.0
) -> Rmc:
    return Rmc(None, None, True, lat, lon, speed, track)


def gga(time_s: float | None, lat: float, lon: float, valid: bool = True) -> Gga:
    time_ms = None if time_s is None else round(time_s * 1000)
    return Gga(time_ms, valid, lat if valid else None, lon if valid else None)


# -- which speed ---------------------------------------------------------------------------------------


def test_rmc_gives_speed_position_and_track() -> None:
    gps = receiver()
    assert gps.rmc(ns(1), rmc(2.0))
    assert gps.speed.at(ns(1))[0] == 2.0
    assert (gps.lat_deg, gps.lon_deg, gps.position_ns, gps.track_deg) == (48.0, 11.0, ns(1), 90.0)
    assert (gps.fixes, gps.voids, gps.refused, gps.void) == (1, 0, 0, False)


@pytest.mark.parametrize("vtg_first", [False, True])
def test_where_rmc_gives_the_speed_a_vtg_before_or_after_it_changes_nothing(vtg_first: bool) -> None:
    """A VTG has no time; taken for the wrong epoch it would be off by what the speed changed."""
    gps, alone = receiver(), receiver()
    for k in range(20):
        t = ns(1 + 0.2 * k)
        speed = 2.0 + 0.05 * k
        vtg = Vtg(True, 5.0, 10.0)
        if vtg_first and k:
            assert not gps.vtg(t, vtg)
        assert gps.rmc(t, rmc(speed))
        if not vtg_first:
            assert not gps.vtg(t, vtg)
        alone.rmc(t, rmc(speed))
        assert gps.speed.at(t) == alone.speed.at(t)
        assert gps.track_deg == 90.0


def test_a_stream_of_vtg_alone() -> None:
    gps = receiver()
    assert gps.vtg(ns(1), Vtg(True, 2.0, 45.0))
    assert gps.speed.at(ns(1))[0] == 2.0
    assert (gps.track_deg, gps.lat_deg) == (45.0, None)
    assert not gps.vtg(ns(2), Vtg(True, None, None))
    assert not gps.void


def test_a_vtg_alone_that_does_not_say_it_is_valid_is_not_used() -> None:
    gps = receiver()
    assert not gps.vtg(ns(1), Vtg(None, 376.6, 45.0))
    assert (gps.void, gps.voids, gps.speed.t_ns) == (True, 1, None)


def test_a_void_vtg_alone_is_seen_and_counted() -> None:
    gps = receiver()
    gps.vtg(ns(1), Vtg(True, 2.0, 45.0))
    assert not gps.vtg(ns(2), Vtg(False, None, None))
    assert (gps.void, gps.voids) == (True, 1)
    assert gps.vtg(ns(3), Vtg(True, 2.0, 45.0))
    assert not gps.void


def test_gga_vouches_for_the_vtg_beside_it() -> None:
    gps = receiver()
    gps.gga(ns(1), gga(1, 48.0, 11.0))
    assert gps.vtg(ns(1), Vtg(None, 2.0, 45.0))
    gps.gga(ns(2), gga(2, 0, 0, valid=False))
    assert not gps.vtg(ns(2), Vtg(None, 376.6, 45.0))
    assert not gps.vtg(ns(2), Vtg(True, 376.6, 45.0))  # one of the two is wrong: no speed
    assert (gps.void, gps.voids) == (True, 1)  # one epoch, counted once
    assert gps.speed.at(ns(2))[0] == 2.0


def test_the_speed_of_vtg_where_rmc_has_a_fix_but_no_speed() -> None:
    """Positions are never differenced where a Doppler speed is in the stream."""
    gps = receiver()
    for k in range(1, 6):
        assert not gps.rmc(ns(k), rmc(None, lat=48.0 + k * 1e-5))
        assert gps.vtg(ns(k), Vtg(None, 2.0, 45.0))
    assert (gps.fixes, gps.from_position) == (5, False)
    gps.rmc(ns(6), VOID_RMC)
    assert not gps.vtg(ns(6), Vtg(None, 376.6, 45.0))
    assert (gps.voids, gps.void) == (1, True)


def test_vtg_takes_over_when_rmc_falls_silent() -> None:
    gps = receiver()
    gps.rmc(ns(1), rmc(2.0))
    assert not gps.vtg(ns(3.4), Vtg(True, 2.1, None))
    assert gps.vtg(ns(3.6), Vtg(True, 2.1, None))


# -- void ----------------------------------------------------------------------------------------------


def test_a_void_rmc_says_so_until_the_next_valid_one() -> None:
    gps = receiver()
    gps.rmc(ns(1), rmc(2.0))
    assert not gps.rmc(ns(2), VOID_RMC)
    assert (gps.void, gps.voids, gps.fixes) == (True, 1, 1)
    assert gps.speed.t_ns == ns(1)
    gps.rmc(ns(3), rmc(2.0))
    assert not gps.void


def test_with_rmc_in_the_stream_it_alone_says_what_is_void() -> None:
    """A GGA of quality 6 (estimated) beside a valid RMC does not make the fix void, nor the other way."""
    gps = receiver()
    gps.rmc(ns(1), rmc(2.0))
    assert not gps.gga(ns(1), gga(1, 0, 0, valid=False))
    assert (gps.void, gps.voids) == (False, 0)
    gps.rmc(ns(2), VOID_RMC)
    gps.gga(ns(2), gga(2, 50.0, 12.0))
    assert (gps.void, gps.voids, gps.lat_deg) == (True, 1, 48.0)


def test_a_valid_fix_whose_speed_is_refused_is_not_void() -> None:
    gps = receiver()
    gps.rmc(ns(1), VOID_RMC)
    assert not gps.rmc(ns(2), rmc(16.0))  # above the rig's 15 m/s
    assert (gps.void, gps.refused, gps.speed.t_ns) == (False, 1, None)


def test_no_speed_above_the_plausible_one_is_ever_believed() -> None:
    gps = receiver()
    for k in range(20):
        assert not gps.rmc(ns(k), rmc(376.6))
    assert (gps.refused, gps.speed.t_ns) == (20, None)


def test_exactly_zero_is_marked_as_perhaps_held() -> None:
    gps = receiver()
    gps.rmc(ns(1), rmc(0.0))
    assert gps.held_zero
    gps.rmc(ns(2), rmc(0.02))
    assert not gps.held_zero


# -- positions -----------------------------------------------------------------------------------------


def drive_gga(
    gps: Receiver, lat: float, lon: float, speed: float, azimuth: float, step_s: float, count: int
) -> None:
    """Due steps along a geodesic (GeographicLib), with positions rounded to 1e-7 degree."""
    for k in range(count):
        at = Geodesic.WGS84.Direct(lat, lon, azimuth, speed * step_s * k)
        t = 1 + step_s * k
        gps.gga(ns(t), gga(t, round(at["lat2"], 7), round(at["lon2"], 7)))


@pytest.mark.parametrize(
    ("lat", "lon", "azimuth"),
    [(48.0, 11.0, 30.0), (-36.0, 174.0, 250.0), (0.0, 0.0, 90.0), (70.0, 25.0, 180.0)],
)
@pytest.mark.parametrize("step_s", [0.2, 1.0])
def test_speed_from_positions_where_there_is_no_other(
    lat: float, lon: float, azimuth: float, step_s: float
) -> None:
    gps = receiver()
    drive_gga(gps, lat, lon, 3.0, azimuth, step_s, round(30 / step_s))
    assert gps.from_position
    # 1e-7 degree is 11 mm: the difference over a second is good to about that
    assert gps.speed.at(gps.speed.t_ns or 0)[0] == pytest.approx(3.0, abs=0.02)


@pytest.mark.parametrize("azimuth", [90.0, 270.0])
def test_speed_from_positions_across_the_antimeridian(azimuth: float) -> None:
    gps = receiver()
    start = 179.9999 if azimuth == 90.0 else -179.9999
    drive_gga(gps, -17.0, start, 3.0, azimuth, 0.5, 40)
    assert gps.lon_deg is not None
    assert gps.lon_deg * start < 0  # it did cross
    assert gps.refused == 0
    assert gps.speed.at(gps.speed.t_ns or 0)[0] == pytest.approx(3.0, abs=0.02)


def test_positions_use_the_receivers_own_times_where_given() -> None:
    """One comes 0.3 s late; the times in the sentences show it. 1e-5 degree north is 1.112 m."""
    for own, expected in ((True, 1.112), (False, 1.112 / 1.3)):
        gps = receiver()
        gps.gga(ns(1.0), gga(0 if own else None, 48.0, 11.0))
        gps.gga(ns(2.3), gga(1 if own else None, 48.00001, 11.0))
        assert gps.speed.at(ns(2.3))[0] == pytest.approx(expected, abs=0.001)


def test_midnight_or_a_gap_between_positions_gives_no_speed() -> None:
    gps = receiver()
    gps.gga(ns(1), gga(86_399.0, 48.0, 11.0))
    assert not gps.gga(ns(2), gga(0.0, 48.00001, 11.0))
    assert gps.gga(ns(3), gga(1.0, 48.00002, 11.0))
    assert not gps.gga(ns(10), gga(8.0, 48.0002, 11.0))
    assert gps.gga(ns(11), gga(9.0, 48.00021, 11.0))


def test_a_leaping_position_is_refused() -> None:
    gps = receiver()
    gps.gga(ns(1), gga(1, 48.0, 11.0))
    assert not gps.gga(ns(2), gga(2, 48.001, 11.0))  # 111 m in a second
    assert gps.refused == 1


def test_a_doppler_speed_ends_the_differencing() -> None:
    gps = receiver()
    drive_gga(gps, 48.0, 11.0, 3.0, 0.0, 1.0, 5)
    assert gps.from_position
    assert gps.vtg(ns(5.5), Vtg(True, 3.0, 0.0))
    assert not gps.from_position
    fixes = gps.fixes
    gps.gga(ns(6), gga(6, 48.1, 11.0))
    gps.gga(ns(7), gga(7, 48.2, 11.0))
    assert (gps.fixes, gps.refused) == (fixes, 0)


def test_a_fix_without_position_and_speed_gives_no_speed_from_an_old_position() -> None:
    gps = receiver()
    for k in range(8):
        assert not gps.rmc(ns(k), rmc(None, lat=48.0 if k == 0 else None, lon=11.0))
    assert gps.speed.t_ns is None
    assert not gps.gga(ns(20), Gga(20_000, True, None, None))
    assert gps.speed.t_ns is None


def test_rmc_positions_serve_where_it_has_no_speed() -> None:
    gps = receiver()
    for k in range(4):
        gps.rmc(ns(k), rmc(None, lat=48.0 + 2e-5 * k))
    # 2e-5 degree x 111.2 km = 2.224 m a second
    assert gps.speed.at(ns(3))[0] == pytest.approx(2.224, abs=0.001)
    assert gps.from_position


# -- wall time -----------------------------------------------------------------------------------------


def utc_ms(text: str) -> int:
    return round(datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp() * 1000)


def timed(text: str) -> Rmc:
    days, time_ms = divmod(utc_ms(text), DAY_MS)
    return Rmc(time_ms, days, True, 48.0, 11.0, 2.0, None)


def test_wall_time_is_stated_once_two_fixes_agree() -> None:
    gps = receiver()
    assert gps.wall_time(ns(5.0), timed("2026-05-30T10:00:00.000")) is None
    assert gps.wall_time(ns(5.2), timed("2026-05-30T10:00:00.200")) == Anchor(
        ns(5.2), utc_ms("2026-05-30T10:00:00.200")
    )
    assert gps.wall_time(ns(5.4), timed("2026-05-30T10:00:00.400")) is None


def test_wall_time_goes_on_across_midnight() -> None:
    gps = receiver()
    start = utc_ms("2026-12-31T23:59:58")
    anchors = []
    for k in range(10):
        days, time_ms = divmod(start + 1000 * k, DAY_MS)
        anchors.append(gps.wall_time(ns(1 + k), Rmc(time_ms, days, True, 48.0, 11.0, 2.0, None)))
    assert [a for a in anchors if a] == [Anchor(ns(2), start + 1000)]


def test_one_odd_time_is_not_believed_two_are() -> None:
    gps = receiver()
    for k in range(3):
        gps.wall_time(ns(1 + k), timed(f"2026-05-30T10:00:0{k}"))
    assert gps.wall_time(ns(4), timed("2031-05-30T10:00:03")) is None
    assert gps.wall_time(ns(5), timed("2026-05-30T10:00:04")) is None
    assert gps.wall_time(ns(6), timed("2026-05-30T10:00:05")) is None
    # a clock that was set, say by leap seconds, stays where it is
    assert gps.wall_time(ns(7), timed("2026-05-30T09:59:48")) is None
    assert gps.wall_time(ns(8), timed("2026-05-30T09:59:49")) == Anchor(ns(8), utc_ms("2026-05-30T09:59:49"))


def test_wall_time_is_stated_anew_every_ten_minutes() -> None:
    gps = receiver()
    start = utc_ms("2026-05-30T10:00:00")
    stated = []
    for k in range(1900):
        days, time_ms = divmod(start + 1000 * k, DAY_MS)
        if gps.wall_time(ns(k), Rmc(time_ms, days, True, 48.0, 11.0, 2.0, None)):
            stated.append(k)
    assert stated == [1, 601, 1201, 1801]


@given(jitter_ms=st.lists(st.integers(0, 240), min_size=3, max_size=30))
def test_jitter_of_arrival_is_no_change_of_time(jitter_ms: list[int]) -> None:
    gps = receiver()
    start = utc_ms("2026-05-30T10:00:00")
    anchors = []
    for k, late in enumerate(jitter_ms):
        days, time_ms = divmod(start + 1000 * k, DAY_MS)
        anchors.append(
            gps.wall_time((1000 * k + late) * 1_000_000, Rmc(time_ms, days, True, 48.0, 11.0, 2.0, None))
        )
    assert sum(a is not None for a in anchors) == 1


@pytest.mark.parametrize(
    "fix",
    [
        timed("2026-05-30T10:00:00")._replace(time_ms=None),
        timed("2026-05-30T10:00:00")._replace(date_days=None),
    ],
)
def test_without_time_or_believable_date_nothing_is_stated(fix: Rmc) -> None:
    gps = receiver()
    assert [gps.wall_time(ns(k), fix) for k in range(3)] == [None] * 3


# The week number of the GPS message has ten bits: IS-GPS-200, 20.3.3.3.1.1
ROLLOVER_MS = 1024 * 7 * DAY_MS


def drive(gps: Receiver, start: str, seconds: range, step_back_ms: int = 0) -> list[Anchor]:
    """A fix a second, all the time right but for `step_back_ms`; what is stated."""
    stated = []
    for k in seconds:
        days, time_ms = divmod(utc_ms(start) + 1000 * k - step_back_ms, DAY_MS)
        stated.append(gps.wall_time(ns(k), Rmc(time_ms, days, True, 48.0, 11.0, 2.0, None)))
    return [anchor for anchor in stated if anchor]


def test_a_date_before_2000_is_stated_as_unknown_once() -> None:
    gps = receiver()
    assert drive(gps, "1999-12-31T23:00:00", range(1, 3600)) == [Anchor(ns(2), None)]
    assert drive(receiver(), "2000-01-01T00:00:00", range(1, 5)) == [
        Anchor(ns(2), utc_ms("2000-01-01T00:00:02"))
    ]


@pytest.mark.parametrize("start", ["2026-06-01T12:00:00", "2038-11-20T23:59:58", "2039-08-16T23:30:00"])
def test_a_live_run_does_not_believe_a_rolled_over_week(start: str) -> None:
    gps = receiver()
    gps.live()
    assert drive(gps, start, range(1, 1300), ROLLOVER_MS) == [Anchor(ns(2), None)]
    # a recording may be as old as it says
    old = drive(receiver(), start, range(1, 5), ROLLOVER_MS)
    assert old == [Anchor(ns(2), utc_ms(start) + 2000 - ROLLOVER_MS)]


def test_one_date_that_cannot_be_is_not_news() -> None:
    gps = receiver()
    assert len(drive(gps, "2026-06-01T12:00:00", range(1, 9))) == 1
    assert drive(gps, "1980-01-06T00:00:00", range(9, 10)) == []
    assert drive(gps, "2026-06-01T12:00:00", range(10, 20)) == []


def test_the_time_is_stated_again_when_the_date_is_right_again() -> None:
    gps = receiver()
    gps.live()
    start = "2026-06-01T12:00:00"
    assert drive(gps, start, range(1, 5), ROLLOVER_MS) == [Anchor(ns(2), None)]
    assert drive(gps, start, range(5, 9)) == [Anchor(ns(6), utc_ms("2026-06-01T12:00:06"))]
    assert drive(gps, start, range(9, 12), ROLLOVER_MS) == [Anchor(ns(10), None)]
    # although it is what it was before
    assert drive(gps, start, range(12, 15)) == [Anchor(ns(13), utc_ms("2026-06-01T12:00:13"))]


def test_zda_serves_where_gga_is_valid_and_no_rmc_there() -> None:
    def zda(second: int) -> Zda:
        days, time_ms = divmod(utc_ms("2026-05-30T10:00:00") + 1000 * second, DAY_MS)
        return Zda(time_ms, days)

    gps = receiver()
    assert [gps.wall_time(ns(k), zda(k)) for k in range(3)] == [None] * 3  # no word of a fix
    gps.gga(ns(3), gga(3, 48.0, 11.0))
    assert gps.wall_time(ns(3), zda(3)) is None
    assert gps.wall_time(ns(4), zda(4)) == Anchor(ns(4), utc_ms("2026-05-30T10:00:04"))
    gps.rmc(ns(5), rmc(2.0))
    assert gps.wall_time(ns(5), zda(3600)) is None
    assert gps.wall_time(ns(6), zda(3601)) is None
