"""A diagnosis as people read it: what, by how much, where, and until when. In US or metric units."""

from math import floor
from typing import Any, Final

from rigmon.units import show
from rigmon.words import alert_words

#: a more certain number than this is not claimed [%]
_MOST_SURE_PCT: Final = 99.0
_NOT_KEPT: Final = (
    "by the alerts alone: this log was made before the evidence was kept; a rerun, such as with "
    "--false-alarms-per-h, works it out anew"
)
_OFF: Final = "not looked for: the rig file's diagnosis.enabled is false"

#: code -> what `change_pct` is of; all others: of the nozzles' coefficient
_OF: Final = {
    "speed_creep": "speed against the target",
    "supply_weak": "flow",
    "output_changed": "what the one sensor says",
}


def heading(one: dict[str, Any]) -> str:
    """What it is, how many nozzles, and by how much: 'nozzle plugged: 1 of 12 nozzles (98 % sure), ...'"""
    parts = [part for part in (nozzles(one), change(one)) if part]
    return alert_words(one["code"]) + (f": {', '.join(parts)}" if parts else "")


def nozzles(one: dict[str, Any]) -> str:
    """'1 of 12 nozzles (over 99 % sure)'; '' where no number was worked out."""
    if one["nozzles"] is None:
        return ""
    count = f"{one['nozzles']} of {one['nozzle_count']} nozzles"
    confidence = one["nozzles_confidence_pct"]
    return count if confidence is None else f"{count} ({sure(confidence)} sure)"


def sure(confidence_pct: float) -> str:
    """A probability, rounded down: what is not certain never reads 100 %."""
    if confidence_pct > _MOST_SURE_PCT:
        return f"over {_MOST_SURE_PCT:.0f} %"
    return f"{floor(confidence_pct)} %"


def change(one: dict[str, Any]) -> str:
    """By how much what changed, with its expanded uncertainty where that is known; '' where nothing is."""
    if one["change_pct"] is None:
        return ""
    by = f"{one['change_pct']:+z.1f} %"
    if one["change_u_pct"] is not None:
        by += f" +-{one['change_u_pct']:.1f} %"
    return f"{of(one)} {by}"


def of(one: dict[str, Any]) -> str:
    """What `change_pct` is of."""
    return _OF.get(one["code"], "flow at one pressure")


def parted(one: dict[str, Any]) -> str:
    """What each sensor showed, and how fast: 'flow -7.9 %, pressure +0.0 %, within seconds'; '' unknown."""
    parts = [
        f"{name} {one[key]:+z.1f} %"
        for name, key in (("flow", "flow_change_pct"), ("pressure", "pressure_change_pct"))
        if one[key] is not None
    ]
    if one["sharp"] is not None:
        parts.append("within seconds" if one["sharp"] else "over minutes")
    return ", ".join(parts)


def ending(one: dict[str, Any]) -> str:
    """How the area is to be read: until when it counts."""
    return {True: "until the end of the run", False: "until it was over"}.get(one["open"], "end not known")


def remark(diagnosis: dict[str, Any]) -> str:
    """Why there may be less to read than there was; '' where all was looked for."""
    if not diagnosis["enabled"]:
        return _OFF
    return "" if diagnosis["kept"] else _NOT_KEPT


def place(one: dict[str, Any], system: str) -> str:
    """Where it began: degrees north and east, and how far along which pass."""
    at = (
        "place unknown"
        if one["lat_deg"] is None or one["lon_deg"] is None
        else f"at {one['lat_deg']:.5f}, {one['lon_deg']:.5f}"
    )
    if one["pass_number"] is None:
        return at
    along = one["pass_distance_m"]
    far = "" if along is None else f"{show(along, 'length', system, 0)} into "
    return f"{at}, {far}pass {one['pass_number']}"
