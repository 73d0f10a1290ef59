"""What each alert watches: one row of the table a code, judged at the end of every sample.

To add an alert: a key in `rigmon.config.SCHEMA`, a row here, a test.
"""

from collections.abc import Callable
from typing import Final

from rigmon.core import rate
from rigmon.model import Flag, Weather
from rigmon.rig import AlertRule, Rig

#: (bad, good, value, limit): see `rigmon.core.alerts`. None: cannot or need not be judged.
Verdict = tuple[bool, bool, float | None, float | None] | None
Judge = Callable[["Facts"], Verdict]

#: The limit of a speed alert, in tolerances. The line and the lights tell of the band's own edge at once, and
#: alerts there were mostly over before a driver could answer: so much further out he has not seen to it.
SPEED_LIMIT_TOLERANCES: Final = 1.25

#: all is well, for alerts without a number worth passing on
QUIET: Final[Verdict] = (False, True, None, None)


class Facts:
    """What is known at a sample's end. Filled anew for every sample; None is unknown."""

    __slots__ = (
        "air_age_s",
        "boom_on",
        "diagnosed",
        "flags",
        "flow_age_s",
        "flow_deviation",
        "flow_l_min",
        "gps_age_s",
        "pressure_age_s",
        "pressure_kpa",
        "rate_l_ha",
        "rate_share",
        "speed_deviation",
        "speed_m_s",
        "switch_age_s",
        "weather",
        "wind_age_s",
    )

    def __init__(self) -> None:
        self.boom_on: bool | None = None
        self.flags = 0
        self.diagnosed: dict[
            str, tuple[float | None, float | None]
        ] = {}  #: code -> value, limit; see diagnosis
        self.speed_m_s: float | None = None
        self.flow_l_min: float | None = None
        self.pressure_kpa: float | None = None
        self.rate_l_ha: float | None = None
        self.rate_share: float | None = None  #: rate over target rate; None with the boom off or flow unknown
        self.speed_deviation = 1.0  #: speed over target, or target over speed: never below 1
        self.flow_deviation = 1.0
        self.gps_age_s = 0.0
        self.flow_age_s = 0.0
        self.pressure_age_s = 0.0
        self.switch_age_s = 0.0
        self.weather: Weather | None = None  #: the newest; None also where no sensor of it is fitted
        self.wind_age_s = 0.0
        self.air_age_s = 0.0


def _speed_fast(rig: Rig, rule: AlertRule) -> Judge:
    limit_pct, good_pct = _speed_limit(rig, rule)
    share_low = 1 - limit_pct / 100
    share_good = 1 - good_pct / 100

    def judge(facts: Facts) -> Verdict:
        share = facts.rate_share
        if share is None:
            return None
        if share >= share_good:
            return QUIET
        bad = share < share_low and facts.speed_deviation >= facts.flow_deviation
        return bad, False, facts.speed_m_s, _speed_at(rig, facts, share_low)

    return judge


def _speed_slow(rig: Rig, rule: AlertRule) -> Judge:
    limit_pct, good_pct = _speed_limit(rig, rule)
    share_high = 1 + limit_pct / 100
    share_good = 1 + good_pct / 100

    def judge(facts: Facts) -> Verdict:
        share = facts.rate_share
        if share is None:
            return None
        if share <= share_good:
            return QUIET
        bad = share > share_high and facts.speed_deviation >= facts.flow_deviation
        return bad, False, facts.speed_m_s, _speed_at(rig, facts, share_high)

    return judge


def _speed_limit(rig: Rig, rule: AlertRule) -> tuple[float, float]:
    """How far off the rate is bad, and how far off good again [%]: not before the speed is in its band."""
    tolerance_pct = rig.target.tolerance_pct
    limit_pct = rule.limit_pct or SPEED_LIMIT_TOLERANCES * tolerance_pct
    return limit_pct, min(limit_pct, tolerance_pct) - rule.deadband_pct


def _speed_at(rig: Rig, facts: Facts, share: float) -> float | None:
    """The speed at which the flow now gives this share of the target rate."""
    if facts.flow_l_min is None:
        return None
    return rate.speed_for_rate_m_s(rig.target.rate_l_ha * share, facts.flow_l_min, rig.swath_m)


def _rate_low(rig: Rig, rule: AlertRule) -> Judge:
    share_low = 1 - (rule.limit_pct or rig.target.tolerance_pct) / 100
    share_good = share_low + rule.deadband_pct / 100
    limit_l_ha = rig.target.rate_l_ha * share_low

    def judge(facts: Facts) -> Verdict:
        share = facts.rate_share
        if share is None or facts.rate_l_ha is None:
            return None
        if share >= share_good:
            return QUIET
        bad = share < share_low and facts.speed_deviation < facts.flow_deviation
        return bad, False, facts.rate_l_ha, limit_l_ha

    return judge


def _rate_high(rig: Rig, rule: AlertRule) -> Judge:
    share_high = 1 + (rule.limit_pct or rig.target.tolerance_pct) / 100
    share_good = share_high - rule.deadband_pct / 100
    limit_l_ha = rig.target.rate_l_ha * share_high

    def judge(facts: Facts) -> Verdict:
        share = facts.rate_share
        if share is None or facts.rate_l_ha is None:
            return None
        if share <= share_good:
            return QUIET
        bad = share > share_high and facts.speed_deviation < facts.flow_deviation
        return bad, False, facts.rate_l_ha, limit_l_ha

    return judge


def _pressure_loss(rig: Rig, rule: AlertRule) -> Judge:
    cal_kpa = rig.calibration.pressure_kpa if rig.calibration else None
    if cal_kpa is None:
        return lambda _facts: None
    limit_kpa = cal_kpa * (1 - (rule.limit_pct or 0.0) / 100)
    good_kpa = limit_kpa + cal_kpa * rule.deadband_pct / 100

    def judge(facts: Facts) -> Verdict:
        kpa = facts.pressure_kpa
        if kpa is None or not facts.boom_on:
            return None
        if kpa >= good_kpa:
            return QUIET
        return kpa < limit_kpa, False, kpa, limit_kpa

    return judge


def _flagged(flag: Flag) -> Callable[[Rig, AlertRule], Judge]:
    """Bad while the flag is up. No number goes with it."""
    bit = int(flag)
    verdict: Verdict = (True, False, None, None)

    def make(_rig: Rig, _rule: AlertRule) -> Judge:
        return lambda facts: verdict if facts.flags & bit else QUIET

    return make


def _gps_lost(rig: Rig, _rule: AlertRule) -> Judge:
    bit, limit_s = int(Flag.GPS_STALE), rig.gps.stale_s
    return lambda facts: (True, False, facts.gps_age_s, limit_s) if facts.flags & bit else QUIET


def _flow_silent(rig: Rig, _rule: AlertRule) -> Judge:
    bit, limit_s = int(Flag.FLOW_STALE), rig.flow.stale_s
    return lambda facts: (True, False, facts.flow_age_s, limit_s) if facts.flags & bit else QUIET


def _pressure_silent(rig: Rig, _rule: AlertRule) -> Judge:
    bit, limit_s = int(Flag.PRESSURE_STALE), rig.pressure.stale_s
    return lambda facts: (True, False, facts.pressure_age_s, limit_s) if facts.flags & bit else QUIET


def _boom_switch_silent(rig: Rig, _rule: AlertRule) -> Judge:
    bit, limit_s = int(Flag.SWITCH_STALE), rig.boom_switch.stale_s
    return lambda facts: (True, False, facts.switch_age_s, limit_s) if facts.flags & bit else QUIET


#: so far back inside its limit air counts as good again [°C, %]
_BACK_C: Final = 0.5
_BACK_PCT: Final = 2.0
Maker = Callable[[Rig, AlertRule], Judge | None]


def _wind(key: str, value_of: Callable[[Weather], float | None], sign: float) -> Maker:
    """Against the person's own limit; there is no judge without one. `sign` +1: bad above, -1: bad below."""

    def make(rig: Rig, rule: AlertRule) -> Judge | None:
        limit: float | None = getattr(rig.weather, key)
        back = None if limit is None else limit * rule.deadband_pct / 100
        return _limited(limit, back or 0.0, value_of, sign)

    return make


def _air(key: str, value_of: Callable[[Weather], float | None], sign: float, back: float) -> Maker:
    return lambda rig, _rule: _limited(getattr(rig.weather, key), back, value_of, sign)


def _limited(
    limit: float | None, back: float, value_of: Callable[[Weather], float | None], sign: float
) -> Judge | None:
    if limit is None:
        return None
    good = limit - sign * back

    def judge(facts: Facts) -> Verdict:
        weather = facts.weather
        value = None if weather is None else value_of(weather)
        if value is None:
            return None
        if sign * (value - good) <= 0:
            return QUIET
        return sign * (value - limit) > 0, False, value, limit

    return judge


def _wind_silent(rig: Rig, _rule: AlertRule) -> Judge | None:
    bit, limit_s = int(Flag.WIND_STALE), rig.weather.stale_s
    if rig.weather.wind == "none":
        return None
    return lambda facts: (True, False, facts.wind_age_s, limit_s) if facts.flags & bit else QUIET


def _air_silent(rig: Rig, _rule: AlertRule) -> Judge | None:
    bit, limit_s = int(Flag.AIR_STALE), rig.weather.stale_s
    if rig.weather.air == "none":
        return None
    return lambda facts: (True, False, facts.air_age_s, limit_s) if facts.flags & bit else QUIET


def _diagnosed(code: str) -> Callable[[Rig, AlertRule], Judge]:
    """Bad while `rigmon.core.diagnosis` has found it."""

    def make(_rig: Rig, _rule: AlertRule) -> Judge:
        def judge(facts: Facts) -> Verdict:
            found = facts.diagnosed.get(code)
            return QUIET if found is None else (True, False, *found)

        return judge

    return make


#: codes of the diagnoses -> unit; judged only while something is found
DIAGNOSED: Final = {
    "nozzles_plugged": "%",
    "boom_leak": "%",
    "supply_weak": "%",
    "start_mismatch": "%",
    "nozzles_worn": "%",
    "output_changed": "%",
    "flowmeter_unsteady": "",
    "flowmeter_drift": "%",
    "pressure_drift": "%",
    "gps_frozen": "m/s",
    "gps_late": "s",
    "speed_creep": "%",
}

#: code -> (unit of value and limit, maker of its judge; None: this rig has nothing to judge)
CONDITIONS: Final[dict[str, tuple[str, Maker]]] = {
    "speed_fast": ("m/s", _speed_fast),
    "speed_slow": ("m/s", _speed_slow),
    "rate_high": ("L/ha", _rate_high),
    "rate_low": ("L/ha", _rate_low),
    "pressure_loss": ("kPa", _pressure_loss),
    "gps_lost": ("s", _gps_lost),
    "gps_implausible": ("", _flagged(Flag.GPS_IMPLAUSIBLE)),
    "flow_silent": ("s", _flow_silent),
    "flow_implausible": ("", _flagged(Flag.FLOW_IMPLAUSIBLE)),
    "pressure_silent": ("s", _pressure_silent),
    "pressure_implausible": ("", _flagged(Flag.PRESSURE_IMPLAUSIBLE)),
    "boom_switch_silent": ("s", _boom_switch_silent),
    "wind_high": ("m/s", _wind("wind_max_m_s", lambda weather: weather.wind_2min_m_s, 1)),
    "gust_high": ("m/s", _wind("gust_max_m_s", lambda weather: weather.gust_m_s, 1)),
    "wind_low": ("m/s", _wind("wind_min_m_s", lambda weather: weather.wind_2min_m_s, -1)),
    "temperature_high": (
        "°C",
        _air("temperature_max_c", lambda weather: weather.air_temperature_c, 1, _BACK_C),
    ),
    "temperature_low": (
        "°C",
        _air("temperature_min_c", lambda weather: weather.air_temperature_c, -1, _BACK_C),
    ),
    "humidity_high": ("%", _air("humidity_max_pct", lambda weather: weather.humidity_pct, 1, _BACK_PCT)),
    "humidity_low": ("%", _air("humidity_min_pct", lambda weather: weather.humidity_pct, -1, _BACK_PCT)),
    "wind_silent": ("s", _wind_silent),
    "air_silent": ("s", _air_silent),
    **{code: (unit, _diagnosed(code)) for code, unit in DIAGNOSED.items()},
    "input_lost": ("", _flagged(Flag.INPUT_LOST)),
    "run_log_trouble": ("", _flagged(Flag.LOG_TROUBLE)),
}
