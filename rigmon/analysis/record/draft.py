"""A record of one run: the log's part, the person's part, and what is blank."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo
from typing import Any, Final, Literal

import numpy as np

from rigmon.analysis import weather_words
from rigmon.analysis.acts import acts, words_of
from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground
from rigmon.analysis.record.answers import read_answer, stated_quantity
from rigmon.analysis.record.elements import ELEMENTS, RULES
from rigmon.analysis.utc import utc_ms
from rigmon.calibration.result import System
from rigmon.calibration.tank import Product, amount_text, read_product
from rigmon.errors import UsageError
from rigmon.units import show

RECORD_SCHEMA: Final = 1
#: notes and refills that stand in the remarks; the rest is counted
_REMARKS: Final = 20

Origin = Literal["log", "person", "computed"]


@dataclass(frozen=True, slots=True)
class Entry:
    text: str
    origin: Origin


@dataclass(frozen=True, slots=True)
class Used:
    """A product as the person states it."""

    product: Product
    number: str  #: EPA registration or authorisation number; '' not stated

    @classmethod
    def read(cls, text: str) -> "Used":
        """'Product A; 0000-000; 32 fl oz/ac': name, registration number (may be empty), dose.

        Raises UsageError.
        """
        parts = [part.strip() for part in text.split(";")]
        if len(parts) != 3 or not parts[0]:
            raise UsageError(
                f"product {text!r} must be its name, registration number and dose, parted by ';', such as "
                "'Product A; 0000-000; 32 fl oz/ac' (the number may be left empty)"
            )
        return cls(read_product(parts[0], parts[2]), parts[1])


@dataclass(frozen=True, slots=True)
class Draft:
    """Entries by element key; an element without one is blank."""

    entries: dict[str, Entry]
    figures: dict[str, Any]  #: the log's part in carried units, for machines

    @property
    def blank(self) -> list[str]:
        """Keys of elements that no entry fills, in their order."""
        return [element.key for element in ELEMENTS if element.key not in self.entries]

    def missing(self) -> dict[str, list[str]]:
        """Per rule, the labels of what it asks for and nobody has filled in."""
        blank = set(self.blank)
        return {rule: [e.label for e in ELEMENTS if rule in e.rules and e.key in blank] for rule in RULES}

    def to_json(self) -> dict[str, Any]:
        """Elements in their order, blank ones as null."""
        return {
            "record_schema": RECORD_SCHEMA,
            "elements": {
                e.key: (
                    {"text": self.entries[e.key].text, "from": self.entries[e.key].origin}
                    if e.key in self.entries
                    else None
                )
                for e in ELEMENTS
            },
            "figures": self.figures,
            "missing": self.missing(),
        }


def draft(
    run: RunData,
    ground: Ground,
    score: Mapping[str, Any],
    *,
    zone: tzinfo = UTC,
    system: System | None = None,
    products: Sequence[Used] = (),
    stated: Mapping[str, str] | None = None,
) -> Draft:
    """A record of a run. `stated` are the person's own texts by element key; they go before the log's.

    `zone` is the time zone of the place, for date and times; `system` 'us' or 'metric', else the rig's.
    Raises UsageError for a key that is no element, and for a text that cannot be.
    """
    units: System = system or ("us" if run.rig.units == "us" else "metric")
    entries: dict[str, Entry] = {}
    figures = _figures(run, ground, score)
    own = {key: answer for key, text in (stated or {}).items() if (answer := read_answer(key, text))}

    def log(key: str, text: str | None) -> None:
        if text is not None:
            entries[key] = Entry(text, "log")

    start, end = (_moment(figures[key], zone) for key in ("start_utc_ms", "end_utc_ms"))
    log("date", None if start is None else f"{start:%Y-%m-%d}")
    log("start_time", None if start is None else f"{start:%H:%M} {start.tzname()}")
    log("end_time", None if end is None else f"{end:%Y-%m-%d %H:%M} {end.tzname()}")
    if figures["centre_lat_deg"] is not None:
        log(
            "position",
            f"centre {figures['centre_lat_deg']:.5f}, {figures['centre_lon_deg']:.5f}; within "
            f"{figures['south_lat_deg']:.5f} to {figures['north_lat_deg']:.5f}, "
            f"{figures['west_lon_deg']:.5f} to {figures['east_lon_deg']:.5f}",
        )
    if figures["area_m2"] > 0:
        guessed = figures["area_estimated_m2"]
        log("area_treated", _with_part(figures["area_m2"], guessed, "area", units, 3))
    if figures["volume_l"] is not None:
        guessed = figures["volume_estimated_l"]
        text = _with_part(figures["volume_l"], guessed, "volume", units, 1)
        if figures["boom_unknown_s"] > 0:
            text += f"; without {figures['boom_unknown_s']:.0f} s in which the boom's state was not known"
        log("spray_volume", text)
    if figures["mean_l_ha"] is not None:
        log(
            "rate",
            f"{show(figures['mean_l_ha'], 'rate', units, 1)} on average; target "
            f"{show(run.rig.target.rate_l_ha, 'rate', units, 1)}",
        )
    if figures["in_tolerance_area_pct"] is not None:
        log(
            "in_tolerance",
            f"{figures['in_tolerance_area_pct']:.1f} % within {run.rig.target.tolerance_pct:g} % of target",
        )
    for key, text in _weather(score["weather"], units).items():
        log(key, text)
    log("remarks", _remarks(figures["acts"], units))
    log("rig", run.rig.name)
    log("run", f"{run.run_id or 'no run id'}, {run.source}")
    if products:
        entries["products"] = Entry("; ".join(_product_text(used) for used in products), "person")
        stated_l = stated_quantity(own.get("spray_volume", ""), "volume")
        volume_l = figures["volume_l"] if stated_l is None else stated_l
        totals = [_total(used, volume_l, figures["target_l_ha"], units) for used in products]
        figures["products"] = [
            {"name": used.product.name, "number": used.number or None, "dose": used.product.dose_text}
            for used in products
        ]
        if all(total is not None for total in totals):
            entries["product_totals"] = Entry("; ".join(t for t in totals if t is not None), "computed")
    entries.update({key: Entry(text, "person") for key, text in own.items()})
    return Draft(entries, figures)


def _weather(found: Mapping[str, Any] | None, system: System) -> dict[str, str]:
    """Drafts of the weather's elements from the rig's sensors: what they said at the start and at the end.

    The sky, and whether the sensor told the truth, are the person's to say.
    """
    if found is None:
        return {}
    drafts: dict[str, str] = {}
    at = {"start": found["start"], "end": found["end"]}
    winds = {when: weather_words.moment(one, system) for when, one in at.items()}
    airs = {
        when: weather_words.air(one["air_temperature_c"], one["humidity_pct"], system)
        for when, one in at.items()
    }
    if any(winds.values()):
        drafts["wind"] = "; ".join(f"at the {when} {text or 'unknown'}" for when, text in winds.items())
    if any(airs.values()):
        told = "; ".join(f"at the {when} {text or 'unknown'}" for when, text in airs.items())
        drafts["weather"] = f"{told}; sky ______"
    if drafts:
        height = found["height_m"]
        above = "" if height is None else f", wind {show(height, 'length', system)} above the ground"
        where = "beside the field" if found["on_ground"] else "on the rig"
        drafts["weather_observed"] = f"by the sensor {where}{above}; wind as mean of 2 min or less"
    return drafts


def _remarks(done: Sequence[Mapping[str, Any]], system: System) -> str | None:
    """What people noted and filled in during the run; None: nothing."""
    told = [one for one in done if one["kind"] in ("note", "refill")]
    parts = [f"{_clock(one['t_s'])} {words_of(dict(one), system)}" for one in told[:_REMARKS]]
    if len(told) > _REMARKS:
        parts.append(f"and {len(told) - _REMARKS} more in the run log")
    return "; ".join(parts) or None


def _clock(seconds: float) -> str:
    whole = int(seconds)
    return f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"


def _with_part(whole: float, guessed: float, dimension: str, system: System, digits: int) -> str:
    """'0.420 ac, of it about 0.010 ac estimated'."""
    text = show(whole, dimension, system, digits)
    part = show(guessed, dimension, system, digits)
    return text if part == show(0.0, dimension, system, digits) else f"{text}, of it about {part} estimated"


def _figures(run: RunData, ground: Ground, score: Mapping[str, Any]) -> dict[str, Any]:
    """What the log says in carried units, for machines.

    area_m2 and volume_l are all that was treated and all that went out with the boom on, so also where the
    rate is not known: area without a current speed is estimated as in the score (area_estimated_m2 of it),
    volume while no flow was known by the mean flow (volume_estimated_l of it). What went out while the boom's
    state was not known is in neither: boom_unknown_s.
    """
    columns = run.columns
    on = columns.boom_on == 1
    no_area = on & np.isnan(columns.area_m2)
    area_estimated_m2 = float(np.nansum(ground.area_m2[no_area]))
    seen = on & ~np.isnan(columns.volume_l)
    seen_l, seen_s = float(columns.volume_l[seen].sum()), float(ground.dt_s[seen].sum())
    unseen_s = float(ground.dt_s[on & ~seen].sum())
    volume_estimated_l = seen_l / seen_s * unseen_s if seen_s > 0 else 0.0
    sprayed = ground.treated | ground.unknown
    where = np.flatnonzero(sprayed & columns.position_known)
    lat, lon = columns.lat_deg[where], np.unwrap(columns.lon_deg[where], period=360)
    when = np.flatnonzero(sprayed)
    moments = utc_ms(run.anchors, columns.t_ns[when[[0, -1]]]) if len(when) else np.full(2, np.nan)

    def at(value: Any) -> float | None:
        return round(float(value), 7) if len(where) else None

    def wrapped(value: Any) -> float | None:
        return at((value + 180) % 360 - 180) if len(where) else None

    return {
        "run_id": run.run_id,
        "start_utc_ms": None if np.isnan(moments[0]) else round(float(moments[0])),
        "end_utc_ms": None if np.isnan(moments[1]) else round(float(moments[1])),
        "area_m2": score["applied"]["area_m2"] + area_estimated_m2,
        "area_estimated_m2": area_estimated_m2,
        "volume_l": seen_l + volume_estimated_l if seen_s > 0 else None,
        "volume_estimated_l": volume_estimated_l,
        "boom_unknown_s": float(ground.dt_s[np.isnan(columns.boom_on)].sum()),
        "mean_l_ha": score["rate"]["mean_l_ha"],
        "target_l_ha": run.rig.target.rate_l_ha,
        "in_tolerance_area_pct": score["rate"]["in_tolerance_area_pct"],
        **{
            key: None if score["weather"] is None else score["weather"][when][name]
            for key, when, name in _WEATHER
        },
        "refilled_l": sum(act.volume_l or 0.0 for act in run.acts if act.kind == "refill"),
        "acts": acts(run),
        "centre_lat_deg": at((lat.min() + lat.max()) / 2) if len(where) else None,
        "centre_lon_deg": wrapped((lon.min() + lon.max()) / 2) if len(where) else None,
        "south_lat_deg": at(lat.min()) if len(where) else None,
        "north_lat_deg": at(lat.max()) if len(where) else None,
        "west_lon_deg": wrapped(lon.min()) if len(where) else None,
        "east_lon_deg": wrapped(lon.max()) if len(where) else None,
    }


#: figure -> of the score's weather
_WEATHER: Final = tuple(
    (f"{name.removesuffix(unit)}_{when}{unit}", when, name)
    for when in ("start", "end")
    for name, unit in (
        ("wind_m_s", "_m_s"),
        ("wind_from_deg", "_deg"),
        ("air_temperature_c", "_c"),
        ("humidity_pct", "_pct"),
    )
)


def _moment(ms: int | None, zone: tzinfo) -> datetime | None:
    return None if ms is None else datetime.fromtimestamp(ms / 1000, UTC).astimezone(zone)


def _product_text(used: Used) -> str:
    number = f", registration {used.number}" if used.number else ", registration number ______"
    return f"{used.product.name}{number}, {used.product.dose_text}"


def _total(used: Used, volume_l: float | None, target_l_ha: float, system: System) -> str | None:
    """What went out with the spray: volume applied x dose / target rate, as the tank was mixed."""
    dose = used.product.dose
    if volume_l is None:
        return None
    part = dose.value / 100 if dose.kind == "concentration" else dose.value / target_l_ha
    return f"{used.product.name}: {amount_text(volume_l * part, used.product.kind, system)}"
