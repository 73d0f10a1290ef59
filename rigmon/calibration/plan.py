"""The job plan as data: what to spray, what to hold, what to mix, and whether the calibrations still stand.

Expected time: area / (speed x swath) is the time with the boom on; divided by the field efficiency it is the
time in the field, with turns and refills. Pure: the day, the records and the tank plan come in.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, Final

from rigmon.calibration.headline import headline
from rigmon.calibration.record import Record
from rigmon.calibration.result import Finding, System, amount, check
from rigmon.calibration.result import nozzles as nozzle_words
from rigmon.calibration.settings import disagreements, settings_of
from rigmon.calibration.tank import TankPlan
from rigmon.core import rate
from rigmon.errors import UsageError
from rigmon.rig import Rig

#: of a boom sprayer: 50 to 80 %, typically 65 %: common practice (ASABE D497, from memory) [%]
FIELD_EFFICIENCY_PCT: Final = 65.0

CAUTIONS: Final = (
    "The product label is the law; this sheet permits nothing.",
    "Wear the PPE that the label asks for; water goes into the tank first.",
    "Mind wind, inversions and drift: the label gives the limits.",
    "A loaded ATV rolls: go slow on slopes and in turns. Eyes on the ground.",
)

#: kind of record -> what it is of, as the plan says it
_WORDS: Final = {
    "catch": "Catch test",
    "course": "Measured course",
    "target": "Target",
    "flowmeter": "Flowmeter",
    "transducer": "Pressure transducer",
    "pace": "Pace",
}
#: rates and swaths that differ by less are the same: a rig file keeps six digits
_SAME: Final = 1e-4
#: a course short enough for a field, by which the driver can check the speed with a watch
_WATCH_COURSE_M: Final[dict[System, float]] = {"us": 60.96, "metric": 60.0}  # 200 ft


@dataclass(frozen=True, slots=True)
class NozzleState:
    """One nozzle in the newest catch test."""

    nozzle: int
    flow_l_min: float
    from_mean_pct: float
    from_rated_pct: float | None
    state: str  #: 'ok', or what is wrong with it


@dataclass(frozen=True, slots=True)
class Nozzles:
    """The boom in the newest catch test of the fitted set."""

    record: str
    taken_on: date
    mean_l_min: float | None
    cv_pct: float | None
    states: tuple[NozzleState, ...]
    missing: tuple[int, ...]

    @property
    def to_mend(self) -> tuple[NozzleState, ...]:
        return tuple(nozzle for nozzle in self.states if nozzle.state != "ok")


@dataclass(frozen=True, slots=True)
class Age:
    """One calibration and how old it is."""

    kind: str
    what: str  #: in words
    record: str | None  #: None: not in the book
    taken_on: date | None
    age_days: int | None
    says: str  #: its main figure
    due: bool  #: older than the limit, of another nozzle set, or missing where it is needed


@dataclass(frozen=True, slots=True)
class WorkTime:
    """How long the job takes. Carried units."""

    area_m2: float
    efficiency_pct: float
    boom_on_s: float
    field_s: float  #: with turns and refills


@dataclass(frozen=True, slots=True)
class JobPlan:
    """Everything on the page. Carried units; None where it is not known."""

    rig: str
    job: str  #: what the person calls it; ''
    made_on: date
    system: System
    rate_l_ha: float
    tolerance_pct: float
    swath_m: float
    nozzle_count: int
    nozzle_set: str | None
    flow_l_min: float | None  #: whole boom
    pressure_kpa: float | None
    speed_m_s: float  #: to hold
    speed_low_m_s: float
    speed_high_m_s: float
    watch_course_m: float
    watch_s: float  #: over that course, at the speed to hold
    watch_low_s: float
    watch_high_s: float
    tank: TankPlan | None
    work: WorkTime | None
    nozzles: Nozzles | None
    ages: tuple[Age, ...]
    max_age_days: int
    findings: tuple[Finding, ...]
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def ready(self) -> bool:
        """Nothing is to be done before the job."""
        return all(finding.severity == "mind" for finding in self.findings)

    def to_json(self) -> dict[str, Any]:
        """Plain data in carried units, as the keys say."""
        boom = self.nozzles
        return {
            "plan_schema": 1,
            "rig": self.rig,
            "job": self.job,
            "made_on": self.made_on.isoformat(),
            "ready": self.ready,
            "target": {
                "rate_l_ha": self.rate_l_ha,
                "tolerance_pct": self.tolerance_pct,
                "swath_m": self.swath_m,
                "flow_l_min": self.flow_l_min,
                "pressure_kpa": self.pressure_kpa,
            },
            "hold": {
                "speed_m_s": self.speed_m_s,
                "speed_low_m_s": self.speed_low_m_s,
                "speed_high_m_s": self.speed_high_m_s,
                "watch_course_m": self.watch_course_m,
                "watch_s": self.watch_s,
                "watch_low_s": self.watch_low_s,
                "watch_high_s": self.watch_high_s,
            },
            "tank": None
            if self.tank is None
            else {**self.tank.to_json()["inputs"], **self.tank.to_json()["result"]},
            "work": None
            if self.work is None
            else {name: getattr(self.work, name) for name in self.work.__slots__},
            "nozzles": None
            if boom is None
            else {
                "record": boom.record,
                "taken_on": boom.taken_on.isoformat(),
                "mean_l_min": boom.mean_l_min,
                "cv_pct": boom.cv_pct,
                "missing": list(boom.missing),
                "states": [{name: getattr(n, name) for name in n.__slots__} for n in boom.states],
            },
            "calibrations": [
                {
                    **{name: getattr(age, name) for name in age.__slots__},
                    "taken_on": None if age.taken_on is None else age.taken_on.isoformat(),
                }
                for age in self.ages
            ],
            "max_age_days": self.max_age_days,
            "findings": [finding.to_json() for finding in self.findings],
            "cautions": list(self.cautions),
        }


def job_plan(
    rig: Rig,
    records: Sequence[Record],
    *,
    today: date,
    tank: TankPlan | None = None,
    area_m2: float | None = None,
    efficiency_pct: float = FIELD_EFFICIENCY_PCT,
    rate_l_ha: float | None = None,
    job: str = "",
    system: System | None = None,
) -> JobPlan:
    """The plan of a job with `rig`, on the day `today`.

    `records` is the rig's history in the calibration book, of any kind, in order of their days. `rate_l_ha`
    None: the rig's target. Raises UsageError for an area, a rate or an efficiency that cannot be.
    """
    system = system or ("us" if rig.units == "us" else "metric")
    wanted = rig.target.rate_l_ha if rate_l_ha is None else rate_l_ha
    check(wanted, "rate", "L/ha", high=100_000)
    check(efficiency_pct, "field efficiency", "%", high=100)
    calibration = rig.calibration
    flow_l_min = None if calibration is None else calibration.flow_l_min
    hold = rig.target.speed_m_s
    if flow_l_min is not None:
        hold = rate.speed_for_rate_m_s(wanted, flow_l_min, rig.swath_m)
    low, high = rate.speed_band_m_s(hold, rig.target.tolerance_pct)
    work = None
    if area_m2 is not None:
        check(area_m2, "area of the job", "m2", high=1e9)
        boom_on_s = area_m2 / (hold * rig.swath_m)
        work = WorkTime(area_m2, efficiency_pct, boom_on_s, boom_on_s * 100 / efficiency_pct)
    newest = _newest(rig, records)
    boom = _boom(newest.get("catch"))
    if (target := newest.get("target")) is not None and not _of_this_job(target, wanted, rig.swath_m):
        del newest["target"]
    ages = tuple(_ages(rig, newest, today, system))
    findings = [
        *_of_nozzle_set(rig, newest, records),
        *_of_speed(rig, hold, low, high, rate_l_ha, system),
        *_of_pressure(rig, system),
        *_of_boom(boom),
        *_of_ages(rig, ages, newest, today),
        *([] if tank is None else tank.findings),
    ]
    course_m = _WATCH_COURSE_M[system]
    return JobPlan(
        rig=rig.name,
        job=job,
        made_on=today,
        system=system,
        rate_l_ha=wanted,
        tolerance_pct=rig.target.tolerance_pct,
        swath_m=rig.swath_m,
        nozzle_count=rig.nozzle_count,
        nozzle_set=rig.nozzles.set_name,
        flow_l_min=flow_l_min,
        pressure_kpa=None if calibration is None else calibration.pressure_kpa,
        speed_m_s=hold,
        speed_low_m_s=low,
        speed_high_m_s=high,
        watch_course_m=course_m,
        watch_s=course_m / hold,
        watch_low_s=course_m / high,
        watch_high_s=course_m / low,
        tank=tank,
        work=work,
        nozzles=boom,
        ages=ages,
        max_age_days=rig.max_age_days,
        findings=tuple(sorted(findings, key=lambda finding: finding.severity)),  # 'do' before 'mind'
    )


# -- records -------------------------------------------------------------------------------------------------


def _newest(rig: Rig, records: Sequence[Record]) -> dict[str, Record]:
    """The newest record of each kind; a catch test or target not of another nozzle set than the fitted."""
    of_nozzles = ("catch", "target")
    return {
        record.kind: record
        for record in records
        if record.rig == rig.name and not (record.kind in of_nozzles and _other_nozzles(rig, record))
    }


def _other_nozzles(rig: Rig, record: Record) -> bool:
    """The record was taken with another nozzle set than the one that the rig file says is fitted."""
    return None not in (rig.nozzles.set_name, record.nozzle_set) and record.nozzle_set != rig.nozzles.set_name


def _of_this_job(target: Record, rate_l_ha: float, swath_m: float) -> bool:
    """The target is one for this rate and swath, so that what it says belongs on the page."""
    same = (("rate_l_ha", target.figures, rate_l_ha), ("swath_m", target.given, swath_m))
    return all(
        isinstance(value := says.get(name), int | float) and abs(value / ours - 1) < _SAME
        for name, says, ours in same
    )


def _boom(record: Record | None) -> Nozzles | None:
    if record is None:
        return None
    figures = record.figures
    states = tuple(
        NozzleState(n["nozzle"], n["flow_l_min"], n["from_mean_pct"], n.get("from_rated_pct"), n["state"])
        for n in figures.get("nozzles") or []
    )
    return Nozzles(
        record.name,
        record.taken_on,
        figures.get("mean_l_min"),
        figures.get("cv_pct"),
        states,
        tuple(figures.get("missing") or ()),
    )


def _needed(rig: Rig) -> list[str]:
    """The kinds of calibration that a job with this rig rests on."""
    needed = ["catch"]
    needed += ["flowmeter"] if rig.flow.source != "none" else []
    needed += ["transducer"] if rig.pressure.source != "none" else []
    return needed


def _ages(rig: Rig, newest: dict[str, Record], today: date, system: System) -> list[Age]:
    """The calibrations that this job rests on: always the catch test, the sensors that are fitted, and what
    else there is in the book."""
    needed = _needed(rig)
    ages = []
    for kind in (*needed, *(kind for kind in ("course", "target") if kind in newest)):
        record = newest.get(kind)
        taken_on, says, name = None, "", None
        if record is not None:
            taken_on, says, name = record.taken_on, headline(record, system), record.name
        elif kind == "catch" and rig.calibration is not None:
            taken_on = rig.calibration.taken_on
            says = f"{amount(rig.calibration.flow_l_min, 'flow', system)}, from the rig file"
        age_days = None if taken_on is None else (today - taken_on).days
        due = kind in needed and (age_days is None or not 0 <= age_days <= rig.max_age_days)
        ages.append(Age(kind, _WORDS[kind], name, taken_on, age_days, says, due))
    return ages


# -- what to say of it ---------------------------------------------------------------------------------------


def _of_speed(
    rig: Rig, hold: float, low: float, high: float, rate_l_ha: float | None, system: System
) -> list[Finding]:
    said = []
    if rate_l_ha is not None and abs(rate_l_ha / rig.target.rate_l_ha - 1) > _SAME:
        said.append(
            Finding(
                "other_rate",
                "mind",
                f"Planned for {amount(rate_l_ha, 'rate', system)}; the rig file's target, which guides the "
                f"driver, is {amount(rig.target.rate_l_ha, 'rate', system)}.",
            )
        )
    elif rig.calibration is not None and not low <= rig.target.speed_m_s <= high:
        said.append(
            Finding(
                "target_speed",
                "do",
                f"The rig file's target speed, {amount(rig.target.speed_m_s, 'speed', system)}, does not "
                f"hold the rate at the calibrated flow; {amount(hold, 'speed', system)} does. Correct it, or "
                "the flow.",
            )
        )
    if rig.calibration is None:
        said.append(
            Finding(
                "no_flow",
                "do",
                "The boom's flow is not calibrated, so the speed to hold is the rig file's target speed: do "
                "a catch test.",
            )
        )
    if not rig.speed.minimum_m_s < hold <= rig.speed.maximum_m_s:
        said.append(
            Finding(
                "speed_not_driven",
                "do",
                f"{amount(hold, 'speed', system)} is not a speed to spray at: check rate, flow and swath.",
            )
        )
    return said


def _of_pressure(rig: Rig, system: System) -> list[Finding]:
    if rig.calibration is None or rig.calibration.pressure_kpa is None:
        return []
    pressure = rig.calibration.pressure_kpa
    low, high = rig.nozzles.pressure_low_kpa, rig.nozzles.pressure_high_kpa
    for bound, outside, word in (
        (low, low is not None and pressure < low, "below"),
        (high, high is not None and pressure > high, "above"),
    ):
        if bound is not None and outside:
            return [
                Finding(
                    f"pressure_{word}",
                    "do",
                    f"{amount(pressure, 'pressure', system)} is {word} the nozzles' "
                    f"{amount(bound, 'pressure', system)}: 'rigmon calibrate target' says what would fit.",
                )
            ]
    return []


def _of_boom(boom: Nozzles | None) -> list[Finding]:
    if boom is None:
        return []
    said = []
    if boom.to_mend:
        which = nozzle_words(nozzle.nozzle for nozzle in boom.to_mend)
        words = sorted({nozzle.state for nozzle in boom.to_mend})
        said.append(Finding("nozzles", "do", f"Mend {which} ({', '.join(words)}), then catch again."))
    if boom.missing:
        said.append(Finding("not_caught", "do", f"Catch {nozzle_words(boom.missing)} too: not caught yet."))
    return said


def _of_nozzle_set(rig: Rig, newest: dict[str, Record], records: Sequence[Record]) -> list[Finding]:
    """The calibration's nozzle set against the fitted one."""
    others = [r for r in records if r.rig == rig.name and r.kind == "catch" and _other_nozzles(rig, r)]
    named = rig.calibration.record if rig.calibration is not None else None
    used = next((record for record in others if record.name == named), None)
    if used is None and ("catch" in newest or not others):
        return []
    whose = "The rig file's flow" if used is not None else "The newest catch test"
    record = used or others[-1]
    return [
        Finding(
            "other_nozzles",
            "do",
            f"{whose} is of the nozzle set '{record.nozzle_set}' ({record.name}), and "
            f"'{rig.nozzles.set_name}' is fitted: do a catch test with it.",
        )
    ]


def _of_ages(rig: Rig, ages: Sequence[Age], newest: dict[str, Record], today: date) -> list[Finding]:
    said = [finding for age in ages for finding in _of_age(rig, age)]
    needed = _needed(rig)
    named = {
        "catch": rig.calibration.record if rig.calibration is not None else None,
        "target": rig.target.record,
        "flowmeter": rig.flow.record if rig.flow.source != "none" else None,
        "transducer": rig.pressure.record if rig.pressure.source != "none" else None,
    }
    for kind, name in named.items():
        record = newest.get(kind)
        if record is None:
            continue
        if kind in needed and kind != "catch" and (trouble := _unusable(rig, record)):
            said.append(Finding("sensor_off", "do", trouble))
            continue
        if name is None and kind != "catch":
            continue  # a rig file need not name the others
        if record.name == name:
            said += [Finding("changed_since", "mind", f"{text}.") for text in disagreements(rig, record)]
        elif record.taken_on <= today:
            word = f"still uses {name}" if name else "does not use it"
            said.append(
                Finding(
                    "not_applied",
                    "mind",
                    f"{record.name} is the newest, and the rig file {word}: apply it if it is good.",
                )
            )
    return said


def _unusable(rig: Rig, record: Record) -> str:
    """Why the newest calibration of a sensor cannot go into the rig file; '' when it can."""
    try:
        settings_of(record, rig)
    except UsageError as error:
        return f"{error}."
    return ""


def _of_age(rig: Rig, age: Age) -> list[Finding]:
    if not age.due:
        return []
    if age.taken_on is None or age.age_days is None:
        text = f"{age.what}: no calibration with a date; do one."
        return [Finding("not_calibrated", "do" if age.kind == "catch" else "mind", text)]
    if age.age_days < 0:
        text = f"{age.what}: dated {age.taken_on}, after this plan's day; check date and clock."
        return [Finding("from_tomorrow", "mind", text)]
    text = f"{age.what}: {age.age_days} days old, and {rig.max_age_days} are allowed: calibrate again."
    return [Finding("too_old", "do", text)]
