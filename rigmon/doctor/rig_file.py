"""The rig file, and whether its calibrations still stand."""

from datetime import date
from pathlib import Path
from typing import Final, NamedTuple

from rigmon import config
from rigmon.calibration.book import Book, book_path
from rigmon.calibration.plan import Age, job_plan
from rigmon.calibration.result import System
from rigmon.doctor.findings import Finding, State, Values, ok, unknown, wrong
from rigmon.errors import ConfigError, UsageError
from rigmon.rig import Rig

#: findings of the job plan that are of the calibrations, not of the job
_OF_CALIBRATIONS: Final = (
    *(
        "no_flow",
        "target_speed",
        "pressure_below",
        "pressure_above",
        "nozzles",
        "not_caught",
        "other_nozzles",
    ),
    *("not_calibrated", "from_tomorrow", "too_old", "sensor_off", "changed_since", "not_applied"),
)
_HOW: Final = {
    "catch": "rigmon calibrate catch",
    "flowmeter": "rigmon calibrate flowmeter",
    "transducer": "rigmon calibrate transducer",
}


class Loaded(NamedTuple):
    """The rig, or None where its file cannot be used, and what to say of it."""

    rig: Rig | None
    toml: str
    finding: Finding


def load(path: Path, *, must_be: bool) -> Loaded:
    """`must_be` False: a file that is not there is no fault, only nothing is known of the rig."""
    if not must_be and not path.exists():
        return Loaded(
            None,
            "",
            unknown(
                "rig_file",
                "Rig file",
                f"there is no {path} here, so nothing is known of the rig",
                "Give --rig FILE; 'rigmon init' writes one.",
                path=str(path),
            ),
        )
    try:
        rig, toml = config.load(path)
    except ConfigError as error:
        return Loaded(None, "", wrong("rig_file", "Rig file", str(error), f"Correct {path}.", path=str(path)))
    sensors = [
        f"{word} {sensor.source}"
        for word, sensor in (("flow", rig.flow), ("pressure", rig.pressure), ("boom switch", rig.boom_switch))
        if sensor.source != "none"
    ]
    seen = f"{path}: {rig.name}, {', '.join(sensors) or 'GPS alone'}"
    return Loaded(rig, toml, ok("rig_file", "Rig file", seen, path=str(path), rig=rig.name))


def calibrations(rig: Rig, path: Path, today: date, clock_is_good: bool, system: System) -> list[Finding]:
    """The calibrations that the rig rests on, and what is amiss with them, as the job plan sees it.

    `clock_is_good` False: the board's clock is known to be wrong, so ages are not judged.
    """
    book = book_path(rig, path)
    try:
        with Book(book) as opened:
            records = opened.history(rig=rig.name)
    except UsageError as error:
        return [wrong("calibrations", "Calibrations", str(error), "See the message.", book=str(book))]
    plan = job_plan(rig, records, today=today, system=system)
    findings = []
    for age in plan.ages:
        if not clock_is_good and age.age_days is not None:
            why = f"{age.says}, of {age.taken_on}: the board's clock is wrong"
            findings.append(unknown(f"calibration_{age.kind}", age.what, why))
        else:
            findings.append(_age(age, rig.max_age_days))
    said = {"too_old", "not_calibrated", "from_tomorrow"}  # by the ages already
    for found in plan.findings:
        if found.code in _OF_CALIBRATIONS and found.code not in said:
            state: State = "wrong" if found.severity == "do" else "look"
            head, _, do = found.text.partition(": ")
            findings.append(
                Finding(
                    f"calibration_{found.code}",
                    "Calibration",
                    state,
                    head if do else found.text,
                    do[:1].upper() + do[1:],
                )
            )
    return findings


def _age(age: Age, most_days: int) -> Finding:
    check, how = f"calibration_{age.kind}", _HOW.get(age.kind, f"rigmon calibrate {age.kind}")
    values: Values = {
        "record": age.record,
        "taken_on": None if age.taken_on is None else age.taken_on.isoformat(),
        "age_days": age.age_days,
        "max_age_days": most_days,
    }
    if age.taken_on is None or age.age_days is None:
        seen = age.says or "none in the book"
        state: State = "wrong" if age.kind == "catch" else "look" if age.due else "ok"
        seen += ", without a date" if age.says else ""
        return Finding(check, age.what, state, seen, f"{how}, with clean water." if age.due else "", values)
    seen = f"{age.says}; {age.age_days} days old ({age.taken_on})"
    if age.age_days < 0:
        return Finding(
            check, age.what, "look", f"{age.says}; dated {age.taken_on}, after today",
            "Check its date, and the board's clock.", values,
        )  # fmt: skip
    if age.due:
        return Finding(
            check, age.what, "wrong", f"{seen}, more than max_age_days = {most_days}",
            f"Calibrate again, with clean water: {how}.", values,
        )  # fmt: skip
    return Finding(check, age.what, "ok", seen, "", values)
