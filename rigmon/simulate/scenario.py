"""What to simulate: the rig, its passes, its driver, its receiver and sensors, and what goes wrong.

This module needs neither numpy nor pyproj.
"""

import dataclasses
import types
import typing
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from importlib import resources
from math import isfinite, pi
from typing import Any, Final

from rigmon import config
from rigmon.core.rate import flow_for_rate_l_min
from rigmon.errors import UsageError
from rigmon.rig import Rig
from rigmon.simulate.events import Event

SENTENCES: Final = ("RMC", "VTG", "GGA")
SENSORS: Final = ("flow", "pressure", "switch")
#: invented: the pressure of a rig whose calibration names none
UNSTATED_PRESSURE_KPA: Final = 300.0
#: longer runs are refused: they are a slip of the keyboard, and would fill the memory
LONGEST_RUN_S: Final = 86400.0


def demo_rig() -> Rig:
    """The invented Creek rig of the demo recording."""
    source = resources.files("rigmon") / "data" / "demo.rig.toml"
    return config.parse(source.read_text(encoding="utf-8"), "demo.rig.toml")


def nominal(rig: Rig) -> tuple[float, float]:
    """Flow [L/min] and pressure [kPa] of the boom that is on and well.

    Without a catch test: the flow that gives the target rate at the target speed.
    """
    cal = rig.calibration
    if cal is None:
        flow = flow_for_rate_l_min(rig.target.rate_l_ha, rig.target.speed_m_s, rig.swath_m)
        return flow, UNSTATED_PRESSURE_KPA
    return cal.flow_l_min, UNSTATED_PRESSURE_KPA if cal.pressure_kpa is None else cal.pressure_kpa


@dataclass(frozen=True, kw_only=True, slots=True)
class Scenario:
    """Everything that decides a simulation. Two equal scenarios give the same bytes.

    The rig drives `passes` parallel passes, joined by turns, with the boom off between them when it has a
    switch or a sensor that shows it; or it goes round a circle. The default origin lies in the open ocean:
    nobody's land.
    Raises UsageError that names the parameter, its value, and what would be right.
    """

    rig: Rig = field(default_factory=demo_rig)
    seed: int = 1

    # the job
    passes: int = 4
    pass_length_m: float = 100.0
    headland_m: float = 4.0  #: straight run before and after each pass, boom off
    pass_spacing_m: float | None = None  #: between neighbouring passes; None: turn_radius_m gives it
    turn_radius_m: float | None = None  #: None: half the spacing; without spacing half the swath: passes abut
    #: one more pass across the ends of the others, over so much of them; None: none
    cross_pass_overlap_m: float | None = None
    #: instead of parallel passes: `passes` times round a circle, to the right (negative: to the left)
    circle_radius_m: float | None = None
    turn_speed_m_s: float = 1.1
    standstill_s: float = 5.0  #: at the start and at the end
    start_utc: datetime = datetime(2026, 6, 1, 9, 0, 0, tzinfo=UTC)
    origin_lat_deg: float = 40.0
    origin_lon_deg: float = -40.0
    heading_deg: float = 20.0  #: course of the first pass
    boom_off_in_turns: bool | None = None  #: None: when any sensor is sent; else on whenever under way

    # the driver: an Ornstein-Uhlenbeck process about the target speed, softened by the reaction time
    wander_sd_m_s: float = 0.1
    wander_tau_s: float = 8.0
    reaction_s: float = 0.5
    acceleration_m_s2: float = 0.5  #: neither speeds up nor slows down more briskly
    creep_m_s: float = 0.3  #: never slower, once under way

    # the receiver
    gps_hz: int = 5
    sentences: tuple[str, ...] = SENTENCES
    talker: str = "GP"
    nmea41: bool = False  #: RMC with the navigational status field of NMEA 4.1, 'V' as such receivers send
    white_noise_m_s: float = 0.04  #: standard deviation of one speed, independent from fix to fix
    correlated_noise_m_s: float = 0.0  #: standard deviation of the AR(1) part of the speed's noise
    correlated_tau_s: float = 2.0
    latency_s: float = 0.0  #: speed and position sent at t are those of t - latency
    smoothing_s: float = 0.0  #: time constant of the receiver's own smoothing of its speed, noise included
    position_noise_m: float = 0.5  #: standard deviation north and east, AR(1)
    position_noise_tau_s: float = 60.0
    speed_quantum_kn: float = 0.01  #: the step in which speed is printed: 0.1, 0.01 or 0.001 knots
    position_decimals: int = 5  #: decimals of the minutes in positions

    # the sensors
    sensors: tuple[str, ...] | None = None  #: of flow, pressure, switch; None: those the rig reads from XDR
    sensor_hz: int = 5
    flow_noise_pct: float = 1.0
    pressure_noise_pct: float = 1.0
    pressure_tau_s: float = 0.3  #: time constant of the pressure's rise and fall
    flow_correlated_pct: float = 0.0  #: standard deviation of the AR(1) part of the flowmeter's noise
    flow_correlated_tau_s: float = 5.0
    flow_tau_s: float = 0.0  #: time constant with which the flowmeter follows the flow
    pressure_correlated_pct: float = 0.0  #: the same of the transducer's noise
    pressure_correlated_tau_s: float = 5.0
    vibration_pct: float = 0.0  #: standard deviation of a narrow-band noise of the transducer
    vibration_hz: float = 31.7  #: where it lies; it aliases into what sensor_hz can show

    # the weather, of a rig that reads it: sent by the sentences that its rig file names
    wind_m_s: float = 3.0  #: mean, over the ground
    wind_from_deg: float = 270.0
    gustiness_pct: float = 20.0  #: standard deviation of the speed's AR(1) part, of the mean
    gust_tau_s: float = 8.0
    wind_swing_deg: float = 8.0  #: standard deviation of the direction's AR(1) part
    air_temperature_c: float = 18.0
    humidity_pct: float = 60.0
    weather_hz: int = 1

    # the liquid: see hydraulics.plant_for
    pump_shutoff_ratio: float = 3.5
    bypass_pct: float = 25.0
    valve_rise_pct: float = 10.0
    line_loss_pct: float = 5.0
    suction_kpa: float = 5.0
    pressure_wander_pct: float = 0.0  #: standard deviation of the boom's pressure about its balance, AR(1)
    pressure_wander_tau_s: float = 20.0
    #: standard deviation of the pump's strokes in the pressure; half as much in the flow, at the same moment
    pulsation_pct: float = 0.0
    pulsation_hz: float = 23.3

    #: NMEA 4 TAG block with the unix time in ms before each sentence. None: where a GPS dropout would leave
    #: the sensors' sentences without any time, as XDR carries none
    tag_blocks: bool | None = None
    events: tuple[Event, ...] = ()

    def __post_init__(self) -> None:
        for name, low, high in _BOUNDS:
            value = getattr(self, name)
            if value is None:
                continue
            if isinstance(value, bool) or not (isfinite(value) and low <= value <= high):
                raise UsageError(f"{name} = {value!r} must be between {low:g} and {high:g}")
        for name in _WHOLE:
            if not isinstance(getattr(self, name), int):
                raise UsageError(f"{name} = {getattr(self, name)!r} must be a whole number")
        _subset("sentences", self.sentences, SENTENCES, empty=False)
        if self.speed_quantum_kn not in (0.1, 0.01, 0.001):
            raise UsageError(f"speed_quantum_kn = {self.speed_quantum_kn!r} must be 0.1, 0.01 or 0.001")
        if not (len(self.talker) == 2 and self.talker.isascii() and self.talker.isalpha()):
            raise UsageError(f"talker = {self.talker!r} must be two letters, such as 'GP' or 'GN'")
        if self.start_utc.tzinfo is None:
            raise UsageError(f"start_utc = {self.start_utc.isoformat()} needs a time zone, such as +00:00")
        if self.start_utc.microsecond:
            raise UsageError(f"start_utc = {self.start_utc.isoformat()} must be a whole second")
        if not 2000 <= self.start_utc.year <= 2079:
            raise UsageError(f"start_utc = {self.start_utc.isoformat()} must be in the years 2000 to 2079")
        if self.rig.target.speed_m_s <= self.creep_m_s:
            raise UsageError(
                f"creep_m_s = {self.creep_m_s:g} must be below the rig's target speed, "
                f"{self.rig.target.speed_m_s:.3g} m/s"
            )
        if self.bypass_pct * self.valve_rise_pct >= 10_000:
            raise UsageError(
                f"bypass_pct = {self.bypass_pct:g} with valve_rise_pct = {self.valve_rise_pct:g} leaves no "
                "pressure at which the relief valve opens: their product must be below 10000"
            )
        self._check_sensors()
        self._check_way()
        if self.path_length_m / self.rig.target.speed_m_s > LONGEST_RUN_S:
            raise UsageError(
                f"passes = {self.passes} of pass_length_m = {self.pass_length_m:g} are more than a day of "
                "driving: ask for fewer or shorter passes"
            )

    def _check_sensors(self) -> None:
        if self.sensors is not None:
            _subset("sensors", self.sensors, SENSORS, empty=True)
            for sensor in self.sensors:
                section, source = _SECTIONS[sensor], self._source(sensor)
                if source != "xdr":
                    raise UsageError(
                        f"sensors = {sensor!r} cannot be sent: the rig's {section}.source is {source!r}; "
                        f'set {section}.source = "xdr" in the rig file'
                    )
        for sensor in ("wind", "air"):
            source = getattr(self.rig.weather, sensor)
            if self.of_kind(f"{sensor}_silent") and source == "none":
                raise UsageError(
                    f"event {sensor}_silent: this rig reads none; set weather.{sensor} in the rig file"
                )
        for sensor in SENSORS:
            if f"{sensor}_silent" in {event.kind for event in self.events} and sensor not in self.sent:
                raise UsageError(f"event {sensor}_silent: this rig sends no {sensor}")

    def _check_way(self) -> None:
        if self.circle_radius_m is not None:
            if abs(self.circle_radius_m) < 0.1:
                raise UsageError(
                    f"circle_radius_m = {self.circle_radius_m!r} must be 0.1 or more, or -0.1 or less"
                )
            for name in ("pass_spacing_m", "turn_radius_m", "cross_pass_overlap_m"):
                if getattr(self, name) is not None:
                    raise UsageError(
                        f"{name} = {getattr(self, name):g} means nothing on a circle; leave it out"
                    )
        if self.spacing_m < 2 * self.radius_m * (1 - 1e-9):
            raise UsageError(
                f"pass_spacing_m = {self.spacing_m:g} must be at least twice turn_radius_m = "
                f"{self.radius_m:g}: the turns do not fit"
            )
        if self.cross_pass_overlap_m is not None and self.cross_radius_m < 0.1:
            raise UsageError(
                f"cross_pass_overlap_m = {self.cross_pass_overlap_m:g} is too much for a headland of "
                f"{self.headland_m:g} m: together they must stay 0.1 m below half the swath, "
                f"{self.rig.swath_m / 2:g} m"
            )

    def _source(self, sensor: str) -> str:
        return str(getattr(self.rig, _SECTIONS[sensor]).source)

    @property
    def sent(self) -> tuple[str, ...]:
        """The sensors that are sent as XDR."""
        if self.sensors is not None:
            return tuple(sensor for sensor in SENSORS if sensor in self.sensors)
        return tuple(sensor for sensor in SENSORS if self._source(sensor) == "xdr")

    @property
    def boom_switches(self) -> bool:
        """Whether the boom is off between passes."""
        return bool(self.sent) if self.boom_off_in_turns is None else self.boom_off_in_turns

    @property
    def tagged(self) -> bool:
        """Whether TAG blocks are written."""
        if self.tag_blocks is None:
            return (bool(self.sent) or self.rig.weather.fitted) and bool(self.of_kind("gps_dropout"))
        return self.tag_blocks

    @property
    def radius_m(self) -> float:
        """Radius of the turns."""
        if self.turn_radius_m is not None:
            return self.turn_radius_m
        return (self.rig.swath_m if self.pass_spacing_m is None else self.pass_spacing_m) / 2

    @property
    def spacing_m(self) -> float:
        """Distance of neighbouring passes from each other."""
        return 2 * self.radius_m if self.pass_spacing_m is None else self.pass_spacing_m

    @property
    def cross_radius_m(self) -> float:
        """Radius of the quarter turn into the cross pass."""
        return self.rig.swath_m / 2 - self.headland_m - (self.cross_pass_overlap_m or 0.0)

    @property
    def path_length_m(self) -> float:
        """Length of the whole path, from the first headland to the last."""
        if self.circle_radius_m is not None:
            return 2 * self.headland_m + self.passes * 2 * pi * abs(self.circle_radius_m)
        straights = self.passes * (self.pass_length_m + 2 * self.headland_m)
        turn = pi * self.radius_m + (self.spacing_m - 2 * self.radius_m)
        cross = 0.0
        if self.cross_pass_overlap_m is not None:
            cross = self.passes * self.spacing_m + self.rig.swath_m + self.headland_m
        return straights + (self.passes - 1) * turn + cross

    def of_kind(self, *kinds: str) -> list[Event]:
        """The events of these kinds, as given."""
        return [event for event in self.events if event.kind in kinds]


_SECTIONS: Final = {"flow": "flow", "pressure": "pressure", "switch": "boom_switch"}
_WHOLE: Final = ("seed", "passes", "gps_hz", "sensor_hz", "weather_hz", "position_decimals")
_BOUNDS: Final[tuple[tuple[str, float, float], ...]] = (
    ("seed", 0, 2**63 - 1),
    ("passes", 1, 10000),
    ("pass_length_m", 1, 10000),
    ("headland_m", 0, 1000),
    ("pass_spacing_m", 0.2, 1000),
    ("turn_radius_m", 0.1, 1000),
    ("cross_pass_overlap_m", 0, 1000),
    ("circle_radius_m", -10000, 10000),
    ("turn_speed_m_s", 0.1, 10),
    ("standstill_s", 0, 3600),
    ("origin_lat_deg", -85, 85),
    ("origin_lon_deg", -180, 180),
    ("heading_deg", -360, 360),
    ("wander_sd_m_s", 0, 2),
    ("wander_tau_s", 0.1, 3600),
    ("reaction_s", 0.02, 60),
    ("acceleration_m_s2", 0.05, 10),
    ("creep_m_s", 0.05, 5),
    ("gps_hz", 1, 20),
    ("white_noise_m_s", 0, 5),
    ("correlated_noise_m_s", 0, 5),
    ("correlated_tau_s", 0.01, 3600),
    ("latency_s", 0, 10),
    ("smoothing_s", 0, 60),
    ("position_noise_m", 0, 100),
    ("position_noise_tau_s", 0.01, 86400),
    ("position_decimals", 3, 8),
    ("sensor_hz", 1, 50),
    ("flow_noise_pct", 0, 50),
    ("pressure_noise_pct", 0, 50),
    ("pressure_tau_s", 0, 60),
    ("flow_correlated_pct", 0, 50),
    ("flow_correlated_tau_s", 0.01, 3600),
    ("flow_tau_s", 0, 60),
    ("pressure_correlated_pct", 0, 50),
    ("pressure_correlated_tau_s", 0.01, 3600),
    ("vibration_pct", 0, 50),
    ("vibration_hz", 0.01, 1000),
    ("wind_m_s", 0, 40),
    ("wind_from_deg", -360, 360),
    ("gustiness_pct", 0, 100),
    ("gust_tau_s", 0.01, 3600),
    ("wind_swing_deg", 0, 180),
    ("air_temperature_c", -40, 60),
    ("humidity_pct", 0, 100),
    ("weather_hz", 1, 10),
    ("pump_shutoff_ratio", 1.01, 1000),
    ("bypass_pct", 0, 1000),
    ("valve_rise_pct", 0.1, 1000),
    ("line_loss_pct", 0, 100),
    ("suction_kpa", 0, 50),
    ("pressure_wander_pct", 0, 30),
    ("pressure_wander_tau_s", 0.1, 3600),
    ("pulsation_pct", 0, 50),
    ("pulsation_hz", 0.01, 1000),
)


def _subset(name: str, given: tuple[str, ...], known: tuple[str, ...], empty: bool) -> None:
    if any(item not in known for item in given) or len(set(given)) != len(given):
        raise UsageError(f"{name} = {given!r} must be some of: {', '.join(known)}")
    if not given and not empty:
        raise UsageError(f"{name} is empty; it must be some of: {', '.join(known)}")


def scenario_as_dict(scenario: Scenario) -> dict[str, Any]:
    """Every parameter, rig included, as JSON can hold it. `scenario_from_dict` reads it back."""
    result: dict[str, Any] = _plain(dataclasses.asdict(scenario))
    return result


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value.isoformat() if isinstance(value, date) else value


def scenario_from_dict(values: dict[str, Any]) -> Scenario:
    """The scenario in a truth file, so that its run can be repeated. Raises UsageError."""
    try:
        scenario: Scenario = _typed(Scenario, values)
    except (TypeError, ValueError, AttributeError) as error:
        raise UsageError(f"not a scenario as rigmon writes it into its truth: {error}") from error
    return scenario


def _typed(kind: Any, value: Any) -> Any:
    origin, inside = typing.get_origin(kind), typing.get_args(kind)
    if origin in (types.UnionType, typing.Union):
        return None if value is None else _typed(next(k for k in inside if k is not type(None)), value)
    if origin is tuple:
        return tuple(_typed(inside[0], item) for item in value)
    if origin is dict:
        return {key: _typed(inside[1], item) for key, item in value.items()}
    if dataclasses.is_dataclass(kind) and isinstance(kind, type):
        hints = typing.get_type_hints(kind)
        unknown = value.keys() - hints.keys()
        if unknown:
            raise ValueError(f"{kind.__name__} has no {', '.join(sorted(unknown))}")
        return kind(**{key: _typed(hints[key], item) for key, item in value.items()})
    if kind in (date, datetime):
        return kind.fromisoformat(value)
    return value
