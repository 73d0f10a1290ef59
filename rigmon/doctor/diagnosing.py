"""What the rig's sensors can find out about one another, what they cannot, and with which odds."""

from rigmon.core.diagnosis import odds
from rigmon.doctor.findings import Finding, ok
from rigmon.rig import Rig
from rigmon.words import CANNOT_TELL, alert_words, cannot_tell, diagnosable


def check(rig: Rig) -> list[Finding]:
    """The diagnoses that are possible, and the odds that the rig file asks for. Nothing here is wrong."""
    rule = rig.diagnosis
    if not rule.enabled:
        off = "switched off: diagnosis.enabled = false"
        return [ok("diagnosis", "Diagnoses", off, enabled=False)]
    flow, pressure = rig.flow.source != "none", rig.pressure.source != "none"
    known = rig.calibration is not None and rig.calibration.pressure_kpa is not None
    codes = [code for code in diagnosable(flow, pressure, catch_test=known) if rig.alerts[code].enabled]
    missing = cannot_tell(flow, pressure)
    told = ", ".join(map(alert_words, codes)) or "none; their alerts are switched off"
    seen = "; ".join([told, *(CANNOT_TELL[key] for key in missing)])
    return [
        ok(
            "diagnosis", "Diagnoses", seen,
            enabled=True, codes=" ".join(codes), missing=" ".join(missing) or None,
        ),
        _odds(rig, flow and pressure),
    ]  # fmt: skip


def _odds(rig: Rig, both: bool) -> Finding:
    """The charts' average run lengths; `rigmon.analysis.arl` has the tables that they are tested against.

    With one sensor or none there is no such chart of the nozzles, so there is nothing to say of its time.
    """
    asked, change = odds(rig), rig.diagnosis.smallest_change_pct
    noise = change / 2  # what `odds` holds for
    seen = (
        f"at most {asked.false_alarms_per_h:.2g} false alarms an hour with the boom on, of all {asked.tests} "
        f"tests together: one in {_hours(1 / asked.false_alarms_per_h)} on average, of one test one in "
        f"{_hours(asked.hours_to_false_alarm)}"
    )
    if both:
        seen += (
            f"; a change by {change:g} % at one pressure is found after {asked.seconds_to_find:.0f} s on "
            f"average, where a second's noise is {noise:g} % (one standard deviation); with more it takes "
            "longer"
        )
    return ok(
        "diagnosis_odds", "Odds of diagnoses", seen,
        false_alarms_per_h=asked.false_alarms_per_h, tests=asked.tests,
        hours_to_false_alarm=asked.hours_to_false_alarm, smallest_change_pct=change,
        seconds_to_find=asked.seconds_to_find if both else None, noise_pct=noise if both else None,
    )  # fmt: skip


def _hours(hours: float) -> str:
    return f"{60 * hours:.0f} min" if hours < 1 else f"{hours:.3g} h"
