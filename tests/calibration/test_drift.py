"""What drifted over a season, from the book's records. The records are invented."""

import json
from datetime import date
from typing import Any

import pytest

from rigmon.calibration.catch import Catch, catch_test
from rigmon.calibration.drift import DAYS_PER_MONTH, history_drift, measured_once
from rigmon.calibration.flowmeter import MeterRun, fit_flowmeter
from rigmon.calibration.record import Record
from rigmon.calibration.transducer import Point, fit_transducer


def record(
    kind: str, day: date, result: dict[str, Any], subject: str = "set A", rig: str = "Creek rig"
) -> Record:
    return Record(1, f"{day} {kind} 1", kind, rig, subject, None, day, "", "rigmon", {}, result)


def catch(day: date, flows: dict[int, float], pressure_kpa: float | None = 300.0, **more: Any) -> Record:
    result = {
        "boom_flow_l_min": sum(flows.values()),
        "pressure_kpa": pressure_kpa,
        "complete": True,
        "nozzles": [{"nozzle": nozzle, "flow_l_min": flow} for nozzle, flow in flows.items()],
    }
    return record("catch", day, {"inputs": {}, "result": {**result, **more}})


# hand-worked: nozzle 2 from 0.80 to 0.88: +10 %; 1 March to 31 May is 91 days, 91 / 30.436875 = 2.989795
# months: 3.344711 % a month; boom 1.60 to 1.68: +5 %
def test_each_nozzle_and_the_boom_over_a_season() -> None:
    drifts = history_drift(
        [
            catch(date(2026, 5, 31), {1: 0.80, 2: 0.88}),
            catch(date(2026, 3, 1), {1: 0.80, 2: 0.80}),
            catch(date(2026, 4, 1), {1: 0.81, 2: 0.83}),
        ]
    )
    assert [drift.what for drift in drifts] == ["boom", "nozzle 1", "nozzle 2"]
    boom, first, second = drifts
    assert second.points == ((date(2026, 3, 1), 0.80), (date(2026, 4, 1), 0.83), (date(2026, 5, 31), 0.88))
    assert second.names == ("2026-03-01 catch 1", "2026-04-01 catch 1", "2026-05-31 catch 1")
    assert second.change_pct == pytest.approx(10)
    assert second.change_pct_per_month == pytest.approx(3.344711, abs=1e-6)
    assert second.change == pytest.approx(0.08)
    assert first.change_pct == 0
    assert boom.change_pct == pytest.approx(5)


# hand-worked: 0.80 L/min at 200 kPa is 0.80 x sqrt(400 / 200) = 1.1313708 L/min at 400 kPa
def test_catches_at_other_pressures_are_brought_to_the_first_ones() -> None:
    (boom, nozzle) = history_drift(
        [
            catch(date(2026, 3, 1), {1: 0.80}, 200.0),
            catch(date(2026, 4, 1), {1: 1.1313708498984762}, 400.0),
        ]
    )
    assert nozzle.change_pct == pytest.approx(0, abs=1e-12)
    assert boom.change_pct == pytest.approx(0, abs=1e-12)


def test_a_boom_that_was_not_caught_whole_is_left_out() -> None:
    drifts = history_drift(
        [catch(date(2026, 3, 1), {1: 0.8}), catch(date(2026, 4, 1), {1: 0.8}, complete=False)]
    )
    assert [drift.what for drift in drifts] == ["nozzle 1"]


def test_nozzle_sets_and_rigs_are_kept_apart_and_nozzles_stand_in_their_order() -> None:
    flows = dict.fromkeys((1, 2, 10), 0.8)
    records = [catch(date(2026, month, 1), flows) for month in (3, 4)]
    records += [record("catch", date(2026, 3, 1), catch(date(2026, 3, 1), flows).result, "set B")]
    records += [record("catch", date(2026, 3, 1), catch(date(2026, 3, 1), flows).result, rig="Other")]
    drifts = history_drift(records)
    assert [drift.what for drift in drifts] == ["boom", "nozzle 1", "nozzle 2", "nozzle 10"]
    assert {(drift.rig, drift.subject) for drift in drifts} == {("Creek rig", "set A")}


def test_one_record_is_no_drift_and_one_day_is_no_month() -> None:
    assert history_drift([catch(date(2026, 3, 1), {1: 0.8})]) == []
    same_day = history_drift([catch(date(2026, 3, 1), {1: 0.8}), catch(date(2026, 3, 1), {1: 0.9})])
    assert same_day[-1].change_pct == pytest.approx(12.5)
    assert same_day[-1].change_pct_per_month is None


def test_what_was_measured_once_is_named() -> None:
    """Nozzle 3 was skipped the first time, so it cannot have drifted, and must not look forgotten."""
    records = [
        catch(date(2026, 3, 1), {1: 0.8, 2: 0.8}, complete=False),
        catch(date(2026, 4, 1), {1: 0.8, 2: 0.8, 3: 0.8}),
    ]
    assert measured_once(records, "catch", "set A") == ["boom", "nozzle 3"]
    assert measured_once(records, "catch", "set B") == []


def test_results_without_the_numbers_are_passed_over() -> None:
    broken = [
        {},
        {"nozzles": "none", "boom_flow_l_min": None},
        {"nozzles": [{"nozzle": 1}]},
        {"boom_flow_l_min": True},
    ]
    assert (
        history_drift([record("catch", date(2026, 3, day + 1), result) for day, result in enumerate(broken)])
        == []
    )
    assert history_drift([record("course", date(2026, 3, 1), {"speed_m_s": 1.0})] * 2) == []


# the results as the calibrations write them
def test_real_results_are_understood() -> None:
    days = (date(2026, 3, 1), date(2026, 6, 1))
    meters = [fit_flowmeter([MeterRun(n, 10, 60), MeterRun(n + 2, 10, 60)]) for n in (4499, 4589)]
    lines = [
        fit_transducer([Point(0, fraction=zero), Point(500, fraction=zero + 0.4)], span_kpa=1000)
        for zero in (0.100, 0.108)
    ]
    catches = [
        catch_test(
            [Catch(1, volume, 60.0), Catch(2, 0.8, 60.0)],
            nozzle_count=2,
            pressure_kpa=275.8,
            rated_l_min=None,
        )
        for volume in (0.80, 0.82)
    ]
    records = [
        record(kind, day, result.to_json(), subject)
        for kind, subject, results in (
            ("flowmeter", "flowmeter", meters), ("transducer", "pressure", lines), ("catch", "set A", catches)
        )
        for day, result in zip(days, results, strict=True)
    ]  # fmt: skip
    by_name = {drift.what: drift for drift in history_drift(records)}
    assert list(by_name) == ["boom", "nozzle 1", "nozzle 2", "pulses per litre", "slope", "zero"]
    assert by_name["nozzle 1"].change_pct == pytest.approx(2.5)
    assert by_name["pulses per litre"].change_pct == pytest.approx(2)  # 450 to 459
    # 0.008 of a span of 0.8: 1 %
    assert by_name["zero"].change_pct == pytest.approx(1)
    assert by_name["slope"].change_pct == pytest.approx(0, abs=1e-9)


def test_a_transducer_that_states_its_pressure_drifts_in_offset_and_gain() -> None:
    results = [
        fit_transducer([Point(p, stated_kpa=p + offset) for p in (0, 250, 500)], at_kpa=400)
        for offset in (0, 4)
    ]
    records = [
        record("transducer", day, result.to_json())
        for day, result in zip((date(2026, 3, 1), date(2026, 6, 1)), results, strict=True)
    ]
    gain, offset = history_drift(records)
    assert (gain.what, offset.what) == ("gain", "offset")
    assert offset.change == pytest.approx(4)
    assert offset.change_pct == pytest.approx(1)  # 4 kPa of 400 kPa


def test_json() -> None:
    (_, drift) = history_drift([catch(date(2026, 3, 1), {1: 0.8}), catch(date(2026, 4, 1), {1: 0.88})])
    data = json.loads(json.dumps(drift.to_json(), allow_nan=False))
    assert data["what"] == "nozzle 1"
    assert data["first_on"] == "2026-03-01"
    assert data["points"][1] == {"taken_on": "2026-04-01", "record": "2026-04-01 catch 1", "value": 0.88}
    assert data["change_pct_per_month"] == pytest.approx(10 / (31 / DAYS_PER_MONTH))


def test_a_month_is_a_twelfth_of_a_year() -> None:
    assert DAYS_PER_MONTH * 12 == 365.2425
