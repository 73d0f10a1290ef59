"""From live readings to a run or a point. Hand-made readings; nothing here has a clock."""

# ruff: noqa: E501  (the tables read best one case a line)

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rigmon import config
from rigmon.calibration.capture import MeterCapture, PressureCapture
from rigmon.calibration.flowmeter import IndicatedRun, MeterRun, fit_indicated
from rigmon.errors import UsageError
from rigmon.model import AdcCount, NmeaLine, Note, PulseCount, Reading, Source, SourceFault
from rigmon.rig import Rig

SECOND = 1_000_000_000


def rig(flow: str = "none", pressure: str = "none") -> Rig:
    """The invented Creek rig with these sensors."""
    return config.parse(
        f"""
[rig]
name = "Creek rig"
nozzle_count = 12
nozzle_spacing = "20 in"
[target]
rate = "17 gal/ac"
[calibration]
flow = "2.4 gal/min"
pressure = "40 psi"
[flow]
source = "{flow}"
pin = 17
pulses_per_l = 450
maximum = "40 L/min"
[pressure]
source = "{pressure}"
""",
        "rig.toml",
    )


def sentence(body: str) -> NmeaLine:
    check = 0
    for byte in body.encode():
        check ^= byte
    return NmeaLine(f"${body}*{check:02X}".encode())


def flow(l_min: float) -> NmeaLine:
    return sentence(f"YXXDR,R,{l_min / 60:.8f},l,FLOW")


def volume(litres: float) -> NmeaLine:
    return sentence(f"YXXDR,V,{litres / 1000:.8f},M,FLOW")


def meter(rows: list[tuple[float, object]], kind: str = "xdr", source: Source = Source.NODE) -> MeterCapture:
    """A capture fed with (seconds, payload)."""
    capture = MeterCapture(rig(flow=kind))
    for seq, (t_s, payload) in enumerate(rows):
        capture.feed(Reading(seq, round(t_s * SECOND), source, payload))
    return capture


def ns(t_s: float) -> int:
    return round(t_s * SECOND)


# -- pulses --------------------------------------------------------------------------------------------------


def pulses(rows: list[tuple[float, int]], lost: int = 0) -> list[tuple[float, PulseCount]]:
    return [(t, PulseCount(total, None, lost)) for t, total in rows]


# standing start and stop: 100 pulses were there before, 4500 come within the run
RISE = [(t / 2, 100 + min(max(t - 4, 0), 100) * 45) for t in range(120)]


def test_a_standing_start_and_stop_has_every_pulse_and_no_doubt() -> None:
    run = meter(pulses(RISE), "gpio").run(ns(1.2), ns(59.0), 10.0)
    assert run == MeterRun(4500, 10.0, pytest.approx(57.8), 0.0)


# flow at 90 pulses/s on both edges: reports every 0.5 s carry 45 pulses, of which half may be on either side
def test_pulses_at_the_edges_go_into_the_doubt() -> None:
    run = meter(pulses(RISE), "gpio").run(ns(10.25), ns(30.25), 4.0)
    assert run == MeterRun(1800, 4.0, pytest.approx(20.0), 90.0)


def test_readings_that_come_in_another_order_are_put_in_theirs() -> None:
    rows = pulses(RISE)
    rows[10], rows[11] = rows[11], rows[10]
    assert meter(rows, "gpio").run(ns(1.2), ns(59.0), 10.0).pulses == 4500


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([(t, n if t < 30 else n - 2000) for t, n in RISE], "the pulse count went backwards during the run"),
        ([(t, n) for t, n in RISE if not 20 < t < 26], "the flowmeter said nothing for 6.0 s"),
        ([(t, n) for t, n in RISE if t > 10], "the flowmeter said nothing for 9.3 s"),
        ([(t, n) for t, n in RISE if t < 40], "said nothing for"),
        (RISE[:1], "said too little during the run"),
        ([], "the flowmeter said nothing during the run: check its wiring"),
    ],
)
def test_pulses_that_do_not_carry_a_run_are_refused(rows: list[tuple[float, int]], words: str) -> None:
    with pytest.raises(UsageError) as error:
        meter(pulses(rows), "gpio").run(ns(1.2), ns(59.0), 10.0)
    assert words in str(error.value)


def test_lost_pulses_are_refused() -> None:
    rows = pulses(RISE[:60]) + pulses(RISE[60:], lost=3)
    with pytest.raises(UsageError, match="pulses were lost during the run"):
        meter(rows, "gpio").run(ns(1.2), ns(59.0), 10.0)
    assert meter(rows, "gpio").run(ns(31), ns(59.0), 5.0).pulses > 0  # they were lost before this one


# -- stated flow ---------------------------------------------------------------------------------------------


# hand-worked: up from 0 to 10 L/min in 1 s, held for 58 s, down in 1 s: (0.5 + 58 + 0.5) x 10 / 60 = 9.8333 L
def test_a_stated_flow_is_integrated() -> None:
    rows = [(float(t), flow(10.0 if 3 <= t <= 61 else 0.0)) for t in range(70)]
    run = meter(rows).run(ns(1), ns(65), 10.0)
    # trapezoids: 0 at 2 s and 62 s, 10 from 3 s to 61 s
    assert isinstance(run, IndicatedRun)
    assert run.indicated_l == pytest.approx((0.5 + 58 + 0.5) * 10 / 60, abs=1e-6)
    assert run.time_s == 64
    assert run.edge_l == 0


# a steady flow between two moments that fall between reports: 12 L/min for 30 s is 6 L
def test_the_edges_lie_where_they_were_said() -> None:
    run = meter([(t * 0.7, flow(12.0)) for t in range(100)]).run(ns(10.1), ns(40.1), 6.0)
    assert isinstance(run, IndicatedRun)
    assert run.indicated_l == pytest.approx(6.0, abs=1e-6)
    assert run.edge_l == pytest.approx(12 / 60 * 0.7, rel=0.05)  # one report


# hand-worked: 0 to 60 L/min over 60 s, limited to what the rig believes: 20 L/min at 20 s; from 5 s to 15 s the
# mean is 10 L/min: 10 / 6 L
def test_a_rising_flow_is_interpolated_at_the_edges() -> None:
    run = meter([(float(t), flow(float(t))) for t in range(0, 31, 2)]).run(ns(5), ns(15), 1.7)
    assert isinstance(run, IndicatedRun)
    assert run.indicated_l == pytest.approx(10 / 6, abs=1e-6)


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([(float(t), flow(10.0)) for t in range(70) if not 20 < t < 24], "said nothing for 4.0 s of the run, longer than flow.stale, 2 s"),
        ([(float(t), flow(10.0 if t != 30 else 400.0)) for t in range(70)], "a stated flow of 400 L/min is not one between 0 and flow.maximum, 40 L/min"),
        ([(float(t), flow(10.0 if t != 30 else -1.0)) for t in range(70)], "a stated flow of -1 L/min"),
        ([(float(t), flow(10.0)) for t in range(70)] + [(30.5, SourceFault("overflow", "", 7))], "readings were lost during the run"),
        ([(float(t), sentence("YXXDR,R,0.2,l,OTHER")) for t in range(70)], "the sensor node, its port and flow.xdr_name"),
    ],
)  # fmt: skip
def test_a_stated_flow_that_does_not_carry_a_run_is_refused(
    rows: list[tuple[float, object]], words: str
) -> None:
    with pytest.raises(UsageError) as error:
        meter(rows).run(ns(1), ns(60), 10.0)
    assert words in str(error.value)


def test_a_loss_outside_the_run_and_one_of_the_log_do_not_matter() -> None:
    rows = [(float(t), flow(10.0)) for t in range(70)]
    early = [(0.5, SourceFault("overflow", "", 7)), *rows]
    assert meter(early).run(ns(1), ns(60), 10.0).volume_l == 10.0
    capture = meter(rows)
    capture.feed(Reading(99, ns(30.5), Source.LOG, SourceFault("slow", "", 7)))
    assert capture.run(ns(1), ns(60), 10.0).volume_l == 10.0


# -- stated volume -------------------------------------------------------------------------------------------


def test_a_stated_volume_is_differenced_and_goes_before_a_stated_flow() -> None:
    rows = [(t + 0.1, flow(39.0)) for t in range(70)]
    rows += [(float(t), volume(100 + min(max(t - 5, 0), 50) * 0.2)) for t in range(70)]
    run = meter(sorted(rows, key=lambda row: row[0])).run(ns(2), ns(65), 10.0)
    assert run == IndicatedRun(pytest.approx(10.0), 10.0, pytest.approx(63.0), 0.0)


def test_a_volume_that_goes_backwards_is_refused() -> None:
    rows = [(float(t), volume(100 + t if t < 30 else t)) for t in range(70)]
    with pytest.raises(UsageError, match="went backwards during the run"):
        meter(rows).run(ns(2), ns(65), 10.0)


# -- both ----------------------------------------------------------------------------------------------------


def test_no_meter_is_refused_at_once() -> None:
    with pytest.raises(UsageError, match="no flowmeter is fitted"):
        MeterCapture(rig())
    with pytest.raises(UsageError, match="no transducer is fitted"):
        PressureCapture(rig())


@pytest.mark.parametrize("end_s", [10.0, 9.0])
def test_a_run_that_does_not_last_is_refused(end_s: float) -> None:
    with pytest.raises(UsageError, match="it must end after it began"):
        meter(pulses(RISE), "gpio").run(ns(10), ns(end_s), 1.0)


def test_a_capture_shows_that_the_meter_lives() -> None:
    assert meter([]).shows == ""
    assert meter([(0.0, Note("x")), (1.0, flow(12.0))]).shows == "12.000 L/min"
    assert meter([(1.0, volume(2.5))]).shows == "2.500 L"
    assert meter(pulses([(1.0, 42)]), "gpio").shows == "42 pulses"


@given(st.floats(1, 30), st.floats(5, 60), st.floats(0.8, 1.25))
def test_a_steady_meter_that_is_off_is_found_out(l_min: float, lasts_s: float, factor: float) -> None:
    """The whole way: a meter that states too little by `factor`, captured three times."""
    capture = meter([(t / 5, flow(l_min / factor)) for t in range(400)])
    true_l = l_min * lasts_s / 60
    runs = [capture.run(ns(t), ns(t + lasts_s), true_l) for t in (2, 6, 9)]
    assert fit_indicated(runs, volume_u_l=true_l / 1000).factor == pytest.approx(factor, rel=1e-5)


# -- points --------------------------------------------------------------------------------------------------


def gauge(rows: list[tuple[float, object]], kind: str = "adc") -> PressureCapture:
    capture = PressureCapture(rig(pressure=kind))
    for seq, (t_s, payload) in enumerate(rows):
        capture.feed(Reading(seq, round(t_s * SECOND), Source.PRESSURE, payload))
    return capture


# hand-worked: 100, 102, 104: mean 102, standard deviation sqrt((4 + 0 + 4) / 2) = 2
def test_counts_are_averaged_within_the_window() -> None:
    rows = [
        (t, AdcCount(c, 10, s))
        for t, c, s in [(0, 50, 900), (1, 100, 1000), (2, 102, 1000), (3, 104, 1000), (9, 70, 1)]
    ]
    capture = gauge(rows)
    point = capture.point(ns(0.5), ns(3), 200.0, rising=True)
    assert (point.pressure_kpa, point.counts, point.supply_counts, point.rising) == (200.0, 102, 1000, True)
    assert (point.counts_sd, point.supply_sd) == (2, 0)
    assert (point.fraction, point.stated_kpa) == (None, None)
    assert (capture.bits, capture.basis, capture.shows) == (10, "counts", "70 counts")


def test_a_stated_pressure_is_averaged() -> None:
    rows = [(float(t), sentence(f"YXXDR,P,{bar},B,BOOM")) for t, bar in enumerate([2.70, 2.74, 2.78])]
    capture = gauge(rows, "xdr")
    point = capture.point(0, ns(5), 270.0)
    assert point.stated_kpa == pytest.approx(274)
    assert point.counts_sd == pytest.approx(4)
    assert (point.counts, point.rising) == (None, None)
    assert (capture.bits, capture.basis, capture.shows) == (None, "stated", "278.0 kPa")


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ([], "only 0 readings of the transducer in 5.0 s: wait longer"),
        ([(1, AdcCount(100, 10, None)), (2, AdcCount(100, 10, None))], "only 2 readings"),
        ([(t, AdcCount(1023 if t == 2 else 900, 10, None)) for t in range(1, 5)], "1 of 4 readings are at the converter's full scale"),
        ([(t, AdcCount(100, 10, 1000 if t != 2 else None)) for t in range(1, 5)], "the supply rail was read only now and then"),
        ([(t, AdcCount(100, 10, 1023)) for t in range(1, 5)], "4 of 4 readings of the supply rail are at the converter's full scale"),
    ],
)  # fmt: skip
def test_readings_that_make_no_point_are_refused(rows: list[tuple[float, object]], words: str) -> None:
    with pytest.raises(UsageError) as error:
        gauge(rows).point(0, ns(5), 200.0)
    assert words in str(error.value)


def test_before_it_spoke_a_transducer_shows_nothing() -> None:
    capture = gauge([(0.0, Note("x"))])
    assert (capture.bits, capture.basis, capture.shows) == (None, "", "")
