"""Wind and air through the pipeline: what is known when, the alerts, and what a stream without them costs.

The rig is the round one; winds are invented, sums stand beside the numbers.
"""

import math
from typing import Any

import pytest
from helpers import ALL_XDR, WEATHER_ALERTS, Run, make_rig, sentence
from hypothesis import given
from hypothesis import strategies as st

from rigmon.core.conditions import CONDITIONS
from rigmon.core.pipeline import Pipeline
from rigmon.model import Flag, NmeaLine, Reading, Source, Weather

RELATIVE = {"wind": "relative"}


def rig_with(**keys: Any) -> Run:
    return Run(make_rig(weather=keys))


def weather(run: Run) -> list[Weather]:
    return [one for one in run.outputs if isinstance(one, Weather)]


def mwv(
    run: Run, t_s: float, angle: float | str, speed_m_s: float | str, reference: str = "R", status: str = "A"
) -> None:
    run.line(t_s, sentence(f"WIMWV,{angle},{reference},{speed_m_s},M,{status}"), Source.NODE)


def fix(t_s: float, speed_m_s: float, course: float) -> bytes:
    knots = speed_m_s * 3600 / 1852
    clock = f"12{int(t_s) // 60:02d}{int(t_s) % 60:02d}.00"
    return sentence(f"GPRMC,{clock},A,4807.038,N,01131.000,E,{knots:.7f},{course},300526,,,A")


def drive(
    run: Run,
    seconds: int,
    speed: float | None = 2.0,
    course: float = 90.0,
    wind: tuple[Any, ...] | None = (90, 3.0),
    start: int = 0,
) -> None:
    """A fix and a wind a second, from `start` [s] on."""
    for k in range(start, start + seconds):
        if speed is not None:
            run.line(float(k), fix(k, speed, course))
        if wind is not None:
            mwv(run, k + 0.5, *wind)


# hand-worked: eastward at 2 m/s, 2 m/s felt from 90 deg right (south): ahead -2, right 2: 2.8284 m/s from 135
# deg off the bow, 225 deg from north: the south-west
def test_relative_wind_is_corrected_for_the_rigs_own_motion() -> None:
    run = rig_with(**RELATIVE)
    drive(run, 20, wind=(90, 2.0))
    last = weather(run)[-1]
    assert last.apparent_wind_m_s == 2.0
    assert last.apparent_angle_deg == 90.0
    assert last.wind_m_s == pytest.approx(math.sqrt(8), abs=1e-3)
    assert last.wind_from_deg == pytest.approx(225.0, abs=0.02)
    assert last.wind_2min_m_s == pytest.approx(math.sqrt(8), abs=0.1)


# calm: at 2 m/s all that is felt is 2 m/s from ahead
def test_driving_through_calm_air_is_no_wind() -> None:
    run = rig_with(**RELATIVE)
    drive(run, 60, wind=(0, 2.0))
    last = weather(run)[-1]
    assert last.wind_m_s == pytest.approx(0.0, abs=1e-3)
    assert last.wind_2min_m_s < 0.1


def test_at_rest_the_speed_is_known_and_the_direction_is_not() -> None:
    run = rig_with(**RELATIVE)
    drive(run, 20, speed=0.0, wind=(30, 4.0))
    last = weather(run)[-1]
    assert (last.wind_m_s, last.wind_from_deg) == (pytest.approx(4.0), None)
    assert (last.wind_2min_m_s, last.wind_2min_from_deg) == (pytest.approx(4.0), None)


# a creep of 0.3 m/s is below speed.minimum (0.5 m/s): the course of it says nothing of the heading
def test_in_a_creep_the_course_is_no_heading() -> None:
    run = rig_with(**RELATIVE)
    drive(run, 20, speed=0.3, wind=(0, 4.0))
    last = weather(run)[-1]
    assert last.wind_m_s == pytest.approx(3.7, abs=0.01)
    assert last.wind_from_deg is None


def test_without_ground_speed_the_wind_over_the_ground_is_unknown() -> None:
    run = rig_with(**RELATIVE)
    drive(run, 30, speed=None, wind=(0, 4.0))
    assert {(one.wind_m_s, one.wind_2min_m_s) for one in weather(run)} == {(None, None)}
    assert weather(run)[-1].apparent_wind_m_s == 4.0
    assert not run.samples[-1].flags & Flag.WIND_STALE  # the sensor speaks


# hand-worked: zero 90 deg right of the bow: 0 deg is from the right; on the ground: 30 + 40 = 70 deg
def test_where_the_sensors_zero_points() -> None:
    turned = rig_with(wind="relative", zero_deg=90)
    drive(turned, 10, wind=(0, 2.0))
    assert weather(turned)[-1].wind_from_deg == pytest.approx(225.0, abs=0.02)
    ground = rig_with(wind="relative", ground_heading_deg=40)
    drive(ground, 10, wind=(30, 5.0))  # the rig's own motion is nothing to it
    last = weather(ground)[-1]
    assert (last.wind_m_s, last.wind_from_deg) == (5.0, pytest.approx(70.0))


# hand-worked: bow at 90, 45 deg off it: from 135. By the compass the angle is the direction, at rest too
def test_a_true_wind_from_the_bow_or_from_north() -> None:
    bow = rig_with(wind="true")
    drive(bow, 10, wind=(45, 5.0, "T"))
    assert (weather(bow)[-1].wind_m_s, weather(bow)[-1].wind_from_deg) == (5.0, pytest.approx(135.0))
    north = rig_with(wind="true", true_angle_from="north")
    drive(north, 10, speed=0.0, wind=(45, 5.0, "T"))
    assert weather(north)[-1].wind_from_deg == pytest.approx(45.0)


def test_the_other_reference_is_not_mixed_in() -> None:
    run = rig_with(wind="true")
    drive(run, 10, wind=(45, 5.0, "T"))
    drive(run, 10, wind=(0, 9.0, "R"), start=10)
    assert weather(run)[-1].wind_2min_m_s == 5.0


# MDA as stations send it (invented values). hand-worked: 0.9985 bar = 99.85 kPa; 4.1 m/s; magnetic 280 + 8.5
MDA = "WIMDA,29.4854,I,0.9985,B,21.4,C,,,48.2,,9.9,C,288.5,T,280.0,M,8.0,N,4.1,M"


def test_a_composite() -> None:
    run = rig_with(wind="mda", air="mda")
    for k in range(5):
        run.line(float(k), fix(k, 0.0, 0.0))
        run.line(k + 0.5, sentence(MDA))
    last = weather(run)[-1]
    assert (last.wind_m_s, last.wind_from_deg) == (4.1, pytest.approx(288.5))
    assert (last.air_temperature_c, last.humidity_pct, last.dew_point_c) == (21.4, 48.2, 9.9)
    assert last.air_pressure_kpa == pytest.approx(99.85)


def test_a_composite_with_the_magnetic_direction_alone() -> None:
    body = MDA.replace("288.5,T", ",T")
    plain, corrected = rig_with(wind="mda"), rig_with(wind="mda", magnetic_variation_deg=8.5)
    for run in (plain, corrected):
        for k in range(3):
            run.line(float(k), fix(k, 0.0, 0.0))
            run.line(k + 0.5, sentence(body))
    assert weather(plain)[-1].wind_from_deg is None
    assert weather(corrected)[-1].wind_from_deg == pytest.approx(288.5)


def test_air_from_transducers_by_type_and_name() -> None:
    run = rig_with(air="xdr", temperature_name="MAST", humidity_name="MAST")
    for k in range(5):
        run.line(float(k), fix(k, 0.0, 0.0))
        run.line(k + 0.5, sentence("YXXDR,C,-3.5,C,MAST,H,91.0,P,MAST,C,99.0,C,ENGINE"))
    last = weather(run)[-1]
    assert (last.air_temperature_c, last.humidity_pct) == (-3.5, 91.0)


def test_one_row_a_second_from_the_start_and_unknown_looks_unknown() -> None:
    run = rig_with(wind="relative", air="xdr")
    run.drive(0.0, 10.0, 2.0)
    rows = weather(run)
    assert 9 <= len(rows) <= 11
    assert {row[1:] for row in rows} == {(None,) * 14}


def test_after_a_silence_the_means_start_afresh() -> None:
    run = rig_with(**RELATIVE)
    drive(run, 100, speed=0.0, wind=(0, 8.0))
    drive(run, 15, speed=0.0, wind=None, start=100)
    assert weather(run)[-1].wind_10min_m_s is None
    drive(run, 10, speed=0.0, wind=(0, 2.0), start=115)
    last = weather(run)[-1]
    assert (last.wind_10min_m_s, last.gust_m_s) == (2.0, 2.0)
    assert last.wind_span_s < 11


@pytest.mark.parametrize(
    ("line", "counted"),
    [
        ("WIMWV,90,R,61.0,M,A", "refused:wind"),
        ("WIMWV,90,R,3.0,M,V", "refused:wind_void"),
        ("WIMWV,90,R,,M,A", "refused:wind_void"),
        ("WIMWV,361,R,3.0,M,A", "rejected:bad_field"),
        ("YXXDR,C,75,C,AIR", "refused:temperature"),
        ("YXXDR,H,106,P,AIR", "refused:humidity"),
        ("YXXDR,H,50,F,AIR", "rejected:bad_field"),
    ],
)
def test_a_reading_that_cannot_be_is_counted_and_not_used(line: str, counted: str) -> None:
    run = rig_with(wind="relative", air="xdr")
    run.fix(0.0, 0.0)
    run.line(0.5, sentence(line))
    run.finish(3.0)
    assert run.tallies[counted] == 1
    assert set(weather(run)[-1][1:]) == {None}


# -- alerts --------------------------------------------------------------------------------------------


def test_every_weather_alert_is_tested_here() -> None:
    rig = make_rig(
        weather={
            "wind": "true",
            "air": "xdr",
            "wind_max": "5 m/s",
            "gust_max": "9 m/s",
            "wind_min": "1 m/s",
            "temperature_max": "30 °C",
            "temperature_min": "5 °C",
            "humidity_max_pct": 95,
            "humidity_min_pct": 40,
        }
    )
    assert {code for code in WEATHER_ALERTS if CONDITIONS[code][1](rig, rig.alerts[code]) is not None} == set(
        WEATHER_ALERTS
    )
    bare = make_rig(weather={"wind": "true", "air": "xdr"})
    assert [c for c in WEATHER_ALERTS if CONDITIONS[c][1](bare, bare.alerts[c]) is not None] == [
        "wind_silent",
        "air_silent",
    ]


# hand-worked: 60 s of 4 m/s, then 8: the 2 min mean passes 5 when (60 x 4 + n x 8) / (60 + n) > 5, n > 20;
# the on-delay is 10 s: about 91 s. Back at 4 it clears at or below 4.75 (5 %), 30 s later.
def test_wind_above_the_persons_limit() -> None:
    run = rig_with(wind="true", wind_max="5 m/s")
    drive(run, 60, wind=(0, 4.0, "T"))
    drive(run, 60, wind=(0, 8.0, "T"), start=60)
    drive(run, 200, wind=(0, 4.0, "T"), start=120)
    raised, cleared = [alert for alert in run.alerts if alert.code == "wind_high"]
    assert raised.t_ns / 1e9 == pytest.approx(91, abs=2)
    assert (raised.limit, raised.unit) == (5.0, "m/s")
    assert raised.value > 5
    assert cleared.raised is False
    # from 180 s on 8 m/s leave the window: (n x 8 + (120 - n) x 4) / 120 <= 4.75 when n <= 22.5
    assert cleared.t_ns / 1e9 == pytest.approx(180 + 37.5 + 30, abs=3)


def test_without_a_limit_no_wind_is_too_strong() -> None:
    run = rig_with(wind="true")
    drive(run, 100, wind=(0, 30.0, "T"))
    assert run.alerts == []


@pytest.mark.parametrize(
    ("code", "limits", "wind", "air"),
    [
        ("gust_high", {"gust_max": "9 m/s"}, 9.5, None),
        ("wind_low", {"wind_min": "3 mph"}, 1.2, None),
        ("temperature_high", {"temperature_max": "85 °F"}, 4.0, (30.0, 60)),
        ("temperature_low", {"temperature_min": "5 °C"}, 4.0, (4.9, 60)),
        ("humidity_low", {"humidity_min_pct": 40}, 4.0, (20.0, 39)),
        ("humidity_high", {"humidity_max_pct": 90}, 4.0, (20.0, 91)),
    ],
)
def test_each_limit_is_watched(
    code: str, limits: dict[str, Any], wind: float, air: tuple[float, float] | None
) -> None:
    def run_at(wind: float, air: tuple[float, float]) -> list[str]:
        run = rig_with(wind="true", air="xdr", **limits)
        for k in range(60):
            run.line(float(k), fix(k, 2.0, 0.0))
            mwv(run, k + 0.3, 10, wind, "T")
            run.line(k + 0.6, sentence(f"YXXDR,C,{air[0]},C,AIR,H,{air[1]},P,AIR"))
        return [alert.code for alert in run.alerts]

    assert run_at(wind, air or (20.0, 60)) == [code]
    assert run_at(4.0, (20.0, 60)) == []


# hand-worked: stale after 10 s, on-delay 1 s
def test_a_fitted_sensor_that_falls_silent_is_told() -> None:
    run = rig_with(wind="relative", air="mda")
    for k in range(20):
        run.line(float(k), fix(k, 2.0, 0.0))
        mwv(run, float(k), 0, 4.0)
        run.line(float(k), sentence(MDA))
    for k in range(20, 40):
        run.line(float(k), fix(k, 2.0, 0.0))
    raised = {alert.code: alert for alert in run.alerts}
    assert set(raised) == {"wind_silent", "air_silent"}
    assert raised["wind_silent"].t_ns / 1e9 == pytest.approx(19 + 10 + 1, abs=0.3)
    assert (raised["wind_silent"].limit, raised["wind_silent"].unit) == (10.0, "s")
    assert run.samples[-1].flags & Flag.WIND_STALE
    assert set(weather(run)[-1][1:]) == {None}
    for k in range(40, 50):
        run.line(float(k), fix(k, 2.0, 0.0))
        mwv(run, float(k), 0, 4.0)
        run.line(float(k), sentence(MDA))
    assert [alert.code for alert in run.alerts if not alert.raised] == ["wind_silent", "air_silent"]


def test_a_sensor_that_says_it_has_nothing_valid_is_as_good_as_silent() -> None:
    run = rig_with(**RELATIVE)
    drive(run, 30, wind=(0, 4.0, "R", "V"))
    assert [alert.code for alert in run.alerts] == ["wind_silent"]


_FIELDS = ("R", "T", "A", "V", "M", "C", "H", "P", "AIR", "0", "45", "5.5", "1e9", "-7", "")


# -- a rig without weather -----------------------------------------------------------------------------


@given(body=st.sampled_from(["WIMWV,361,R,x,M,A", "WIMDA,1", "WIMWV,90,R,3.0,M,A", MDA]))
def test_a_rig_without_weather_takes_the_sentences_as_before(body: str) -> None:
    """Sound sentences of a kind that is not used, whatever stands in them: old logs check as before."""
    run = Run(make_rig(**ALL_XDR))
    run.line(0.1, sentence(body))
    run.finish(1.0)
    assert run.tallies == {"sentence": 1}
    assert weather(run) == []


@given(
    lines=st.lists(
        st.tuples(
            st.sampled_from(["WIMWV", "WIMDA", "YXXDR", "GPRMC"]),
            st.lists(st.sampled_from(_FIELDS), max_size=21),
        ),
        max_size=40,
    )
)  # fmt: skip
def test_whatever_comes_the_pipeline_stands_and_says_the_same_again(
    lines: list[tuple[str, list[str]]],
) -> None:
    rig = make_rig(weather={"wind": "relative", "air": "xdr", "wind_max": "5 m/s"})

    def outputs() -> list[Any]:
        pipeline, made = Pipeline(rig), []
        for n, (address, fields) in enumerate(lines):
            raw = sentence(",".join([address, *fields]))
            made += pipeline.feed(Reading(n, n * 700_000_000, Source.NODE, NmeaLine(raw)))
        return [*made, *pipeline.finish(len(lines) * 700_000_000)]

    first = outputs()
    assert first == outputs()
    assert all(value == value for one in first for value in one)  # noqa: PLR0124 - no NaN
