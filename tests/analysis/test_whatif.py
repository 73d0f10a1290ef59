"""The same readings on another rig: what changes, what is refused, and that the log stays as it is."""

from dataclasses import replace
from pathlib import Path

import pytest
from hand_made import rig
from hypothesis import given
from hypothesis import strategies as st

from rigmon.analysis.whatif import WhatIf
from rigmon.errors import UsageError


def test_each_option_changes_its_own_figure_and_nothing_else() -> None:
    before = rig()
    # 10 gal/ac x 9.353956 (exact constants) = 93.53956 L/ha
    after = WhatIf(target="10 gal/ac").applied_to(before)
    assert after.target.rate_l_ha == pytest.approx(93.53956, abs=1e-5)
    assert (after.swath_m, after.target.speed_m_s) == (before.swath_m, before.target.speed_m_s)
    assert WhatIf(tolerance="5 %").applied_to(before).target.tolerance_pct == 5
    assert WhatIf(swath="20 ft").applied_to(before).swath_m == pytest.approx(6.096)
    after = WhatIf(calibration="6.6 L/min at 220 kPa").applied_to(before)
    assert after.calibration is not None
    assert (after.calibration.flow_l_min, after.calibration.pressure_kpa) == pytest.approx((6.6, 220))
    same = WhatIf(calibration="6.6 L/min").applied_to(before).calibration
    assert same is not None
    assert same.pressure_kpa == pytest.approx(200)
    rarer = WhatIf(false_alarms_per_h="0.01").applied_to(before)
    assert rarer == replace(before, diagnosis=replace(before.diagnosis, false_alarms_per_h=0.01))
    finer = WhatIf(smallest_change="2.5%").applied_to(before)
    assert finer == replace(before, diagnosis=replace(before.diagnosis, smallest_change_pct=2.5))


def test_asking_for_diagnoses_has_them_made() -> None:
    off = replace(rig(), diagnosis=replace(rig().diagnosis, enabled=False))
    assert not WhatIf(swath="5 m").applied_to(off).diagnosis.enabled
    for asked in (WhatIf(false_alarms_per_h="1"), WhatIf(smallest_change="5")):
        assert asked.applied_to(off).diagnosis.enabled


def test_nothing_asked_is_nothing_changed() -> None:
    assert not WhatIf()
    assert WhatIf().applied_to(rig()) == rig()
    assert WhatIf(swath="5 m").words() == ["--swath 5 m"]


@pytest.mark.parametrize(
    ("what", "words"),
    [
        (WhatIf(target="17"), "--target"),
        (WhatIf(target="17 psi"), "--target"),
        (WhatIf(target="0 L/ha"), "out of bounds for target.rate"),
        (WhatIf(tolerance="ten"), "--tolerance = 'ten' must be a percentage"),
        (WhatIf(tolerance="nan"), "--tolerance"),
        (WhatIf(tolerance="60"), "out of bounds for target.tolerance_pct"),
        (WhatIf(swath="20"), "--swath"),
        (WhatIf(swath="1 km"), "--swath"),
        (WhatIf(calibration="6 L/min at soon"), "--calibration"),
        (WhatIf(calibration="fast"), "--calibration"),
        (WhatIf(calibration="6 L/min at 0 psi"), "--calibration"),
        (WhatIf(false_alarms_per_h="few"), "--false-alarms-per-h = 'few' must be a number, such as 0.1"),
        (WhatIf(false_alarms_per_h="0"), "out of bounds for diagnosis.false_alarms_per_h"),
        (WhatIf(false_alarms_per_h="-1"), "out of bounds for diagnosis.false_alarms_per_h"),
        (WhatIf(false_alarms_per_h="11"), "out of bounds for diagnosis.false_alarms_per_h"),
        (WhatIf(false_alarms_per_h="nan"), "out of bounds for diagnosis.false_alarms_per_h"),
        (WhatIf(smallest_change="some"), "--smallest-change = 'some' must be a percentage, such as 4"),
        (WhatIf(smallest_change="0.1"), "out of bounds for diagnosis.smallest_change_pct"),
    ],
)
def test_what_cannot_be_is_refused_by_name(what: WhatIf, words: str) -> None:
    with pytest.raises(UsageError, match=r"(?s).*") as raised:
        what.applied_to(rig())
    assert words in str(raised.value)


@given(text=st.text(max_size=12) | st.floats().map(str))
def test_any_text_is_a_setting_that_a_rig_file_could_have_or_refused(text: str) -> None:
    for asked in (WhatIf(false_alarms_per_h=text), WhatIf(smallest_change=text)):
        try:
            rule = asked.applied_to(rig()).diagnosis
        except UsageError:
            continue
        # the bounds of the rig file's keys
        assert 0.001 <= rule.false_alarms_per_h <= 10
        assert 0.5 <= rule.smallest_change_pct <= 30


def test_a_log_is_rescored_from_its_readings_and_not_touched(tmp_path: Path) -> None:
    from test_score_simulated import drive

    from rigmon.analysis.score import score
    from rigmon.analysis.source import load
    from rigmon.log.writer import RunLogWriter
    from rigmon.model import RunHeader
    from rigmon.simulate import Scenario, simulate

    simulation = simulate(Scenario(passes=2, pass_length_m=60))
    toml = (Path(__file__).parents[2] / "rigmon" / "data" / "demo.rig.toml").read_text()
    log = tmp_path / "a.sqlite"
    header = RunHeader("r", "live", toml, "0", "h", None, "3", None, None)
    drive(simulation, RunLogWriter(log, header, commit_by_time_ns=10**10))
    before = log.read_bytes()
    own, other = (
        score(load(log, None, what_if=w)) for w in (None, WhatIf(target="20 gal/ac", tolerance="4"))
    )
    assert log.read_bytes() == before
    assert other["target"]["tolerance_pct"] == 4
    assert other["target"]["rate_l_ha"] == pytest.approx(187.079, abs=0.001)
    assert own["rate"]["mean_l_ha"] == pytest.approx(other["rate"]["mean_l_ha"], rel=1e-3)
