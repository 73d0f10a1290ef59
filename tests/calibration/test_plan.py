"""The job plan: the speed to hold, the time, what is due and why. The scenario is invented."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from helpers import ALL_XDR, make_rig

from rigmon.calibration.catch import Catch, catch_test
from rigmon.calibration.flowmeter import IndicatedRun, fit_indicated
from rigmon.calibration.headline import headline
from rigmon.calibration.plan import JobPlan, job_plan
from rigmon.calibration.plan_text import clock, plan_text
from rigmon.calibration.record import Record
from rigmon.calibration.settings import settings_of
from rigmon.calibration.tank import read_product, tank_plan
from rigmon.calibration.target import solve_target
from rigmon.calibration.transducer import Point, fit_transducer
from rigmon.errors import UsageError
from rigmon.rig import Nozzles, Rig

TODAY = date(2026, 6, 10)
#: 10 nozzles x 0.5 m, 100 L/ha at 2 m/s, 6 L/min at 200 kPa
ROUND = make_rig()


def record(
    kind: str, result: Any, days_ago: int = 3, nozzle_set: str | None = None, number: int = 1
) -> Record:
    """As the book hands it out."""
    data = result.to_json()
    day = TODAY - timedelta(days_ago)
    subject = {"catch": nozzle_set or "", "flowmeter": "flowmeter", "transducer": "pressure"}.get(kind, "")
    return Record(
        number, f"{day} {kind} {number}", kind, "Round rig", subject, nozzle_set, day, "2026-06-10T08:00:00Z",
        "rigmon", data["inputs"], {**data["result"], "findings": data["findings"]},
    )  # fmt: skip


def caught(low: int | None = None, missing: Sequence[int] = ()) -> Any:
    """0.3 L in 30 s are 0.6 L/min; nozzle `low` gives 10 % less."""
    catches = [Catch(n, 0.27 if n == low else 0.3, 30.0) for n in range(1, 11) if n not in missing]
    return catch_test(catches, nozzle_count=10, pressure_kpa=200.0)


def codes(plan: JobPlan) -> list[str]:
    return [finding.code for finding in plan.findings]


def on(catch: Record, rig: Rig = ROUND) -> Rig:
    """The rig with the record applied."""
    assert rig.calibration is not None
    calibration = replace(
        rig.calibration, flow_l_min=catch.result["boom_flow_l_min"], record=catch.name,
        taken_on=catch.taken_on, uncertainty_pct=rounded_up(catch),
    )  # fmt: skip
    return replace(rig, calibration=calibration)


def rounded_up(catch: Record) -> float:
    """The uncertainty as the rig file has it; of a test that is not complete, as it is."""
    if catch.result["missing"]:
        return float(catch.result["uncertainty_pct"])
    (value,) = (s.value for s in settings_of(catch, ROUND) if s.key == "uncertainty_pct")
    assert isinstance(value, float)
    return value


# -- the numbers ---------------------------------------------------------------------------------------------


def test_the_speed_to_hold_its_band_and_the_watch() -> None:
    """6 L/min x 1e4 / (60 x 100 L/ha x 5 m) = 2 m/s; / 1.1 and / 0.9; 60 m / 2 m/s = 30 s. Hand-worked."""
    plan = job_plan(ROUND, [], today=TODAY)
    assert plan.speed_m_s == pytest.approx(2.0)
    assert (plan.speed_low_m_s, plan.speed_high_m_s) == pytest.approx((2 / 1.1, 2 / 0.9))
    assert plan.watch_course_m == 60
    assert (plan.watch_s, plan.watch_low_s, plan.watch_high_s) == pytest.approx((30.0, 27.0, 33.0))
    assert job_plan(ROUND, [], today=TODAY, system="us").watch_course_m == pytest.approx(60.96)  # 200 ft


def test_the_expected_time_is_area_over_speed_and_swath_and_efficiency() -> None:
    """18 000 m2 / (2 m/s x 5 m) = 1800 s; / 0.6 = 3000 s. Hand-worked."""
    work = job_plan(ROUND, [], today=TODAY, area_m2=18_000, efficiency_pct=60).work
    assert work is not None
    assert (work.boom_on_s, work.field_s) == pytest.approx((1800, 3000))


def test_another_rate_moves_the_speed_and_is_told() -> None:
    plan = job_plan(ROUND, [], today=TODAY, rate_l_ha=200.0)
    assert plan.speed_m_s == pytest.approx(1.0)
    assert "other_rate" in codes(plan)


@pytest.mark.parametrize(
    "wrong",
    [
        {"area_m2": 0.0},
        {"area_m2": -1.0},
        {"efficiency_pct": 0.0},
        {"efficiency_pct": 101.0},
        {"rate_l_ha": 0.0},
    ],
)
def test_what_cannot_be_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(UsageError):
        job_plan(ROUND, [], today=TODAY, **wrong)  # type: ignore[arg-type]


# -- what is due ---------------------------------------------------------------------------------------------


def test_a_rig_with_a_fresh_applied_catch_test_is_ready() -> None:
    catch = record("catch", caught())
    plan = job_plan(on(catch), [catch], today=TODAY)
    assert codes(plan) == []
    assert plan.ready


@pytest.mark.parametrize(("days", "due"), [(0, False), (30, False), (31, True)])
def test_a_calibration_older_than_the_limit_is_due(days: int, due: bool) -> None:
    catch = record("catch", caught(), days)
    plan = job_plan(on(catch), [catch], today=TODAY)
    assert ("too_old" in codes(plan)) == due
    assert plan.ages[0].age_days == days
    assert plan.ages[0].due == due
    assert plan.ready != due


def test_the_limit_is_the_rigs() -> None:
    catch = record("catch", caught(), 31)
    assert "too_old" not in codes(job_plan(replace(on(catch), max_age_days=60), [catch], today=TODAY))


def test_a_record_from_tomorrow_hints_at_the_clock() -> None:
    catch = record("catch", caught(), -2)
    plan = job_plan(on(catch), [catch], today=TODAY)
    assert "from_tomorrow" in codes(plan)
    assert "clock" in plan.findings[0].text


def test_without_any_record_the_rig_files_day_counts() -> None:
    assert ROUND.calibration is not None
    dated = replace(ROUND, calibration=replace(ROUND.calibration, taken_on=TODAY - timedelta(40)))
    assert "too_old" in codes(job_plan(dated, [], today=TODAY))
    assert "not_calibrated" in codes(job_plan(ROUND, [], today=TODAY))


def test_another_nozzle_set_than_the_calibrations_is_told() -> None:
    catch = record("catch", caught(), nozzle_set="flat fan 02")
    fitted = replace(on(catch), nozzles=Nozzles(set_name="flat fan 03"))
    plan = job_plan(fitted, [catch], today=TODAY)
    assert "other_nozzles" in codes(plan)
    text = plan.findings[0].text
    assert "'flat fan 02'" in text
    assert "'flat fan 03' is fitted" in text
    assert not plan.ready
    assert plan.nozzles is None, "the state of other nozzles says nothing of these"
    same = replace(on(catch), nozzles=Nozzles(set_name="flat fan 02"))
    assert "other_nozzles" not in codes(job_plan(same, [catch], today=TODAY))
    unknown = job_plan(on(catch), [catch], today=TODAY)
    assert "other_nozzles" not in codes(unknown)


def test_a_set_caught_but_not_applied_is_told_both_ways() -> None:
    """The rig file still names the old set's record; the fitted set has one of its own."""
    old = record("catch", caught(), 20, "flat fan 02")
    new = record("catch", caught(), 1, "flat fan 03", number=2)
    fitted = replace(on(old), nozzles=Nozzles(set_name="flat fan 03"))
    assert {"other_nozzles", "not_applied"} <= set(codes(job_plan(fitted, [old, new], today=TODAY)))


def test_the_state_of_each_nozzle_comes_from_the_newest_catch_test() -> None:
    older = record("catch", caught(low=2), 9)
    newer = record("catch", caught(low=7, missing=[3]), 2, number=2)
    plan = job_plan(on(older), [older, newer], today=TODAY)
    assert plan.nozzles is not None
    assert [nozzle.nozzle for nozzle in plan.nozzles.to_mend] == [7]
    assert plan.nozzles.missing == (3,)
    assert {"nozzles", "not_caught", "not_applied"} <= set(codes(plan))


def test_a_rig_file_that_was_changed_since_its_record_is_told() -> None:
    catch = record("catch", caught())
    rig = on(catch)
    assert rig.calibration is not None
    changed = replace(rig, calibration=replace(rig.calibration, flow_l_min=5.5))
    plan = job_plan(changed, [catch], today=TODAY)
    assert "changed_since" in codes(plan)


def test_fitted_sensors_are_asked_for_and_others_are_not() -> None:
    fitted = make_rig(**ALL_XDR)
    assert [age.kind for age in job_plan(fitted, [], today=TODAY).ages] == [
        "catch",
        "flowmeter",
        "transducer",
    ]
    assert [age.kind for age in job_plan(ROUND, [], today=TODAY).ages] == ["catch"]


def test_a_meter_that_states_too_little_is_told() -> None:
    fitted = make_rig(**ALL_XDR)
    off = record("flowmeter", fit_indicated([IndicatedRun(2.0, 2.1, 30.0)] * 3))
    plan = job_plan(fitted, [off], today=TODAY)
    assert "sensor_off" in codes(plan)
    good = record("flowmeter", fit_indicated([IndicatedRun(2.0, 2.0, 30.0)] * 3))
    assert "sensor_off" not in codes(job_plan(fitted, [good], today=TODAY))


def test_a_pressure_outside_the_nozzles_range_is_told() -> None:
    for bounds, code in (
        ({"pressure_low_kpa": 250.0}, "pressure_below"),
        ({"pressure_high_kpa": 150.0}, "pressure_above"),
    ):
        plan = job_plan(replace(ROUND, nozzles=Nozzles(**bounds)), [], today=TODAY)  # type: ignore[arg-type]
        assert code in codes(plan)


def test_a_target_speed_that_does_not_hold_the_rate_is_told() -> None:
    fast = replace(ROUND, target=replace(ROUND.target, speed_m_s=2.6))
    assert "target_speed" in codes(job_plan(fast, [], today=TODAY))


def test_a_rig_without_catch_test_gets_its_target_speed_and_the_reason() -> None:
    plan = job_plan(replace(ROUND, calibration=None), [], today=TODAY)
    assert plan.speed_m_s == 2.0
    assert plan.flow_l_min is None
    assert "no_flow" in codes(plan)


def test_what_is_to_do_comes_first() -> None:
    older = record("catch", caught(low=2), 40)
    newer = record("catch", caught(low=7), 39, number=2)
    severities = [finding.severity for finding in job_plan(on(older), [older, newer], today=TODAY).findings]
    assert severities == sorted(severities)
    assert {"do", "mind"} == set(severities)


def test_a_target_of_another_rate_or_swath_is_not_on_the_page() -> None:
    """A target that was only tried out would stand there with numbers that are not this job's."""

    def kinds(rate_l_ha: float, swath_m: float) -> list[str]:
        target = solve_target(rate_l_ha=rate_l_ha, speed_m_s=2.0, swath_m=swath_m)
        return [age.kind for age in job_plan(ROUND, [record("target", target)], today=TODAY).ages]

    assert kinds(100.0, 5.0) == ["catch", "target"]
    assert kinds(200.0, 5.0) == kinds(100.0, 4.0) == ["catch"]


def test_other_rigs_records_do_not_count() -> None:
    other = replace(record("catch", caught(), 2), rig="Other rig")
    assert job_plan(ROUND, [other], today=TODAY).nozzles is None


# -- words ---------------------------------------------------------------------------------------------------


def full_plan(system: str) -> JobPlan:
    catch = record("catch", caught(low=7))
    tank = tank_plan(
        tank_l=100, rate_l_ha=100, area_m2=35_000,
        products=[
            read_product("Product A", "2 L/ha"),
            read_product("A product of a very long name indeed", "30 g/ha"),
        ],
        system="us" if system == "us" else "metric",
    )  # fmt: skip
    return job_plan(
        on(catch), [catch], today=TODAY, tank=tank, area_m2=35_000, job="South slope",
        system="us" if system == "us" else "metric",
    )  # fmt: skip


@pytest.mark.parametrize("system", ["us", "metric"])
@pytest.mark.parametrize("width", [40, 80])
def test_the_page_fits_the_screen_and_keeps_to_one_system(width: int, system: str) -> None:
    text = plan_text(full_plan(system), width)
    assert all(len(line) <= width for line in text.splitlines())
    assert len(text.splitlines()) <= (75 if width == 40 else 45)
    words = {word.strip("(),:;.") for word in text.split()}
    us, metric = {"mph", "gal", "gal/ac", "psi", "ft", "ac"}, {"km/h", "L", "L/ha", "kPa", "m", "ha"}
    assert (us if system == "us" else metric) <= words
    assert not (metric if system == "us" else us) & words


def test_the_page_says_what_matters() -> None:
    """35 000 m2 at 100 L/ha take 350 L: 3 full tanks of 100 L and 50 L; 3500 s / 0.65 = 1:30 h,
    hand-worked for 2 m/s; with 5.94 L/min the speed is 1.98 m/s and it takes 1:31 h."""
    text = " ".join(plan_text(full_plan("metric"), 80).split())
    assert "Job plan: South slope, Round rig, 2026-06-10" in text
    assert "Rate 100 L/ha within 10 %" in text
    assert "HOLD 7.1 km/h (6.5 to 7.9)" in text  # 1.98 x 3.6 = 7.128
    assert "3 full tanks and a last load of 50.0 L" in text
    assert "Product A 2 L" in text
    assert "Product A 1 L" in text
    assert (
        "1:31 h in the field, 59 min of it with the boom on (field efficiency 65 %: common practice)" in text
    )
    assert "9 of 10 good" in text
    assert "! 7 0.540 L/min -10 % low" in text
    assert "Mend nozzle 7 (low), then catch again." in text
    for caution in full_plan("metric").cautions:
        assert text.count(caution) == 1


def test_json_is_plain_and_its_keys_carry_units() -> None:
    data = full_plan("us").to_json()
    assert data["plan_schema"] == 1
    assert set(data["hold"]) == {
        "speed_m_s", "speed_low_m_s", "speed_high_m_s", "watch_course_m", "watch_s", "watch_low_s",
        "watch_high_s",
    }  # fmt: skip
    assert data["work"] == pytest.approx(
        {"area_m2": 35_000, "efficiency_pct": 65, "boom_on_s": 3535.35, "field_s": 5439.01}, rel=1e-4
    )
    assert data["nozzles"]["states"][6]["state"] == "low"
    assert data["tank"]["full_loads"] == 3
    assert data["calibrations"][0]["age_days"] == 3
    assert not data["ready"]


@pytest.mark.parametrize(
    ("seconds", "text"), [(1, "1 min"), (3540, "59 min"), (3570, "1:00 h"), (3600 * 26 + 60, "26:01 h")]
)
def test_times_are_read_as_people_say_them(seconds: float, text: str) -> None:
    assert clock(seconds) == text


# -- headlines -----------------------------------------------------------------------------------------------


def test_a_record_is_said_in_a_few_words_of_the_readers_units() -> None:
    """6 L/min = 1.585 gal/min; 200 kPa = 29.0 psi."""
    catch = record("catch", caught(low=7))
    assert headline(catch, "metric").startswith("5.94 L/min +-")
    assert " at 200 kPa" in headline(catch, "metric")
    assert headline(catch, "us").startswith("1.57 gal/min")
    assert headline(catch, "us").endswith("CV 3.2 %, 1 to mend")
    points = [Point(0.0, fraction=0.1), Point(200.0, fraction=0.26), Point(400.0, fraction=0.42)]
    line = headline(record("transducer", fit_transducer(points)), "metric")
    assert line.startswith("zero 0.1000, 0.4200 at 400 kPa, read to +-")


def test_a_record_without_figures_is_said_by_nothing() -> None:
    empty = replace(record("catch", caught()), result={}, inputs={})
    for kind in ("catch", "course", "target", "pace", "flowmeter", "transducer", "something new"):
        assert headline(replace(empty, kind=kind), "us") == ""
