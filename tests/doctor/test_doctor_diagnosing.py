"""What the sensors can find out about one another, and with which odds."""

from dataclasses import replace

import pytest
from boards import only, rig_with

from rigmon.analysis import arl
from rigmon.doctor import diagnosing
from rigmon.doctor.findings import Finding
from rigmon.rig import Rig
from rigmon.words import CANNOT_TELL, watched_words

SENSORS = {"flow": 'source = "xdr"', "pressure": 'source = "xdr"'}


def found(settings: Rig) -> dict[str, Finding]:
    return {finding.check: finding for finding in diagnosing.check(settings)}


def test_the_odds_are_those_of_the_tables_solver() -> None:
    """0.1 an hour shared by 8 tests: 80 h each, 288 000 blocks of a second or more. Large numbers are cut
    off, which costs less than 5 % of the time to find. k = 1 for a change of two standard deviations."""
    odds = only(diagnosing.check(rig_with(**SENSORS)), "diagnosis_odds")
    assert odds.state == "ok"
    limit = arl.cusum_limit(1.0, 288_000, sides=1)
    seconds = odds.values["seconds_to_find"]
    assert isinstance(seconds, float)
    assert 1 < seconds / arl.cusum_arl(1.0, limit, 2.0, sides=1) < 1.05
    hours = odds.values["hours_to_false_alarm"]
    assert isinstance(hours, float)
    assert 80 < hours < 120
    assert odds.values["noise_pct"] == 2.0
    assert odds.seen.startswith(
        "at most 0.079 false alarms an hour with the boom on, of all 8 tests together: one in 12.6 h on "
        "average, of one test one in 101 h; a change by 4 % at one pressure is found after 6 s on average"
    )


def test_eager_settings_cost_false_alarms_and_save_seconds() -> None:
    settings = rig_with(**SENSORS, diagnosis="false_alarms_per_h = 10\nsmallest_change_pct = 6")
    odds = found(settings)["diagnosis_odds"]
    assert "at most 3.6 false alarms an hour" in odds.seen
    # by simulation in tests/core/test_diagnosis.py; 8 tests: 2.24 h / 8 = 17 min
    assert "one in 17 min on average, of one test one in 2.24 h" in odds.seen
    assert "a change by 6 % at one pressure is found after 5 s" in odds.seen
    assert "noise is 3 %" in odds.seen


def test_what_is_possible_and_what_cannot_be_told() -> None:
    both = found(rig_with(**SENSORS))["diagnosis"]
    assert "nozzle plugged, leak or hose off, weak supply" in both.seen
    assert both.values["missing"] is None
    assert "output changed" not in both.seen
    for missing in ("flow", "pressure"):
        one = found(rig_with(**{key: text for key, text in SENSORS.items() if key != missing}))
        assert one["diagnosis"].state == "ok"
        assert CANNOT_TELL[missing] in one["diagnosis"].seen
        assert "output changed" in one["diagnosis"].seen
        assert "nozzle plugged;" not in one["diagnosis"].seen
        assert one["diagnosis"].values["missing"] == missing
    alone = found(rig_with())["diagnosis"]
    odds = found(rig_with())["diagnosis_odds"]
    assert odds.seen.endswith("of one test one in 101 h")
    assert odds.values["seconds_to_find"] is None
    assert alone.seen == f"GPS speed frozen, GPS speed late, speed creep; {CANNOT_TELL['both']}"


def test_what_is_switched_off_is_said() -> None:
    (off,) = diagnosing.check(rig_with(diagnosis="enabled = false"))
    assert off.seen == "switched off: diagnosis.enabled = false"
    settings = rig_with(**{"alerts.gps_late": "enabled = false"})
    assert "GPS speed late" not in found(settings)["diagnosis"].seen
    silent = replace(
        settings, alerts={code: replace(rule, enabled=False) for code, rule in settings.alerts.items()}
    )
    assert found(silent)["diagnosis"].seen.startswith("none; their alerts are switched off")


@pytest.mark.parametrize("flow", [True, False])
@pytest.mark.parametrize("pressure", [True, False])
def test_the_line_at_the_start_of_a_run_fits_a_terminal(flow: bool, pressure: bool) -> None:
    line = watched_words(flow, pressure)
    assert len(line) <= 99
    assert ("nozzles, leaks, supply, meter" in line) is (flow and pressure)
