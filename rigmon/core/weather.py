"""Wind and air as the rig's sensors tell them, one `Weather` a second.

Heading: a sensor on the rig turns with it, and of the heading only the course over ground is known, which
says nothing at rest or in a creep. So below speed.minimum the wind's direction is unknown; its speed is not,
for a rig moves along its own bow. Without ground speed the wind over the ground is unknown altogether.
"""

from typing import Final

from rigmon.core.nmea import Meteo, Wind
from rigmon.core.trig import bearing_deg, cos_sin_deg
from rigmon.core.wind import Averager, over_ground, turned
from rigmon.model import Weather
from rigmon.rig import Rig, WeatherSensor

#: readings beyond these cannot be true of weather in which somebody works
_FASTEST_M_S: Final = 60.0
_COLDEST_C: Final = -60.0
_HOTTEST_C: Final = 70.0
#: a sensor in wet air reads a little more than all there can be; that is offset
_WETTEST_PCT: Final = 105.0


class WeatherState:
    """The newest wind and air. `refused` is what was wrong with the newest value taken, '' for nothing."""

    __slots__ = (
        "_air_pressure_kpa",
        "_air_pressure_ns",
        "_angle_deg",
        "_apparent_m_s",
        "_averager",
        "_dew_point_c",
        "_dew_point_ns",
        "_from_deg",
        "_humidity_ns",
        "_humidity_pct",
        "_minimum_m_s",
        "_sensor",
        "_speed_m_s",
        "_speed_ns",
        "_stale_ns",
        "_temperature_c",
        "_temperature_ns",
        "air_ns",
        "wind_ns",
    )

    def __init__(self, rig: Rig) -> None:
        self._sensor: WeatherSensor = rig.weather
        self._minimum_m_s = rig.speed.minimum_m_s
        self._stale_ns = round(rig.weather.stale_s * 1e9)
        self.wind_ns: int | None = None  #: stamp of the newest valid wind, usable or not
        self.air_ns: int | None = None  #: and of the newest temperature or humidity
        self._averager = Averager()
        self._speed_ns: int | None = None  # of the newest wind over the ground
        self._speed_m_s: float | None = None
        self._from_deg: float | None = None
        self._apparent_m_s: float | None = None
        self._angle_deg: float | None = None
        self._temperature_ns = self._humidity_ns = self._dew_point_ns = self._air_pressure_ns = 0
        self._temperature_c: float | None = None
        self._humidity_pct: float | None = None
        self._dew_point_c: float | None = None
        self._air_pressure_kpa: float | None = None

    # -- readings --------------------------------------------------------------------------------------

    def wind(
        self, t_ns: int, wind: Wind, ground_speed_m_s: float | None, course_deg: float | None
    ) -> str | None:
        """An MWV; returns why it was refused, None where it was not. The other reference is passed over."""
        if wind.relative is not (self._sensor.wind == "relative"):
            return None
        if not wind.valid or wind.speed_m_s is None:
            return "wind_void"
        if wind.speed_m_s > _FASTEST_M_S:
            return "wind"
        self._heard(t_ns)
        heading = self._heading(ground_speed_m_s, course_deg)
        angle = wind.angle_deg
        on_ground = self._sensor.ground_heading_deg is not None
        if not on_ground and angle is not None and (wind.relative or self._sensor.true_angle_from == "bow"):
            angle = (angle + self._sensor.zero_deg) % 360
        if wind.relative:
            self._apparent_m_s, self._angle_deg = wind.speed_m_s, angle
        if not wind.relative or on_ground:
            ahead = right = None
            if angle is not None:
                cos, sin = cos_sin_deg(angle)
                ahead, right = wind.speed_m_s * cos, wind.speed_m_s * sin
            if not wind.relative and self._sensor.true_angle_from == "north":
                heading = 0.0
            self._take(t_ns, wind.speed_m_s, ahead, right, heading)
        elif ground_speed_m_s is not None and (angle is not None or wind.speed_m_s == 0):
            self._take(t_ns, *over_ground(wind.speed_m_s, angle or 0.0, ground_speed_m_s), heading)
        elif ground_speed_m_s == 0:
            self._take(t_ns, wind.speed_m_s, None, None, None)
        else:
            self._speed_m_s = self._from_deg = None
        return None

    def meteo(self, t_ns: int, meteo: Meteo) -> list[str]:
        """An MDA; returns which of its values were refused."""
        refused = []
        if self._sensor.wind == "mda":
            if meteo.wind_speed_m_s is None:
                refused.append("wind_void")
            elif not 0 <= meteo.wind_speed_m_s <= _FASTEST_M_S:
                refused.append("wind")
            else:
                self._heard(t_ns)
                from_deg = meteo.wind_true_deg
                variation = self._sensor.magnetic_variation_deg
                if from_deg is None and meteo.wind_magnetic_deg is not None and variation is not None:
                    from_deg = (meteo.wind_magnetic_deg + variation) % 360
                north = east = None
                if from_deg is not None:
                    cos, sin = cos_sin_deg(from_deg)
                    north, east = meteo.wind_speed_m_s * cos, meteo.wind_speed_m_s * sin
                self._take(t_ns, meteo.wind_speed_m_s, north, east, 0.0)
        if self._sensor.air == "mda":
            refused += [
                why
                for channel, value in (
                    ("temperature", meteo.air_temperature_c),
                    ("humidity", meteo.humidity_pct),
                    ("dew_point", meteo.dew_point_c),
                )
                if value is not None and (why := self.air(t_ns, channel, value)) is not None
            ]
            if meteo.air_pressure_kpa is not None:
                self._air_pressure_ns, self._air_pressure_kpa = t_ns, meteo.air_pressure_kpa
        return refused

    def air(self, t_ns: int, channel: str, value: float) -> str | None:
        """A temperature [°C], humidity [%] or dew point [°C]; returns why it was refused."""
        if channel == "humidity":
            if not 0 <= value <= _WETTEST_PCT:
                return channel
            self._humidity_ns, self._humidity_pct = t_ns, min(value, 100.0)
        elif not _COLDEST_C <= value <= _HOTTEST_C:
            return channel
        elif channel == "temperature":
            self._temperature_ns, self._temperature_c = t_ns, value
        else:
            self._dew_point_ns, self._dew_point_c = t_ns, value
            return None  # worked out by the station: no sign of its own
        self.air_ns = t_ns
        return None

    def _heard(self, t_ns: int) -> None:
        if self.wind_ns is not None and t_ns - self.wind_ns > self._stale_ns:
            self._averager.clear()
        self.wind_ns = t_ns

    def _heading(self, ground_speed_m_s: float | None, course_deg: float | None) -> float | None:
        """Where the angles' zero points, from true north; None: unknown."""
        if self._sensor.ground_heading_deg is not None:
            return self._sensor.ground_heading_deg
        if ground_speed_m_s is None or ground_speed_m_s < self._minimum_m_s:
            return None
        return course_deg

    def _take(
        self, t_ns: int, speed_m_s: float, ahead: float | None, right: float | None, heading: float | None
    ) -> None:
        """A wind over the ground; where from as a vector in the frame whose bow is at `heading`."""
        vector = None
        if ahead is not None and right is not None and heading is not None:
            vector = turned(ahead, right, heading)
        if self._speed_ns is not None and t_ns - self._speed_ns > self._stale_ns:
            self._averager.clear()
        self._speed_ns, self._speed_m_s = t_ns, speed_m_s
        self._from_deg = None if vector is None else bearing_deg(*vector)
        self._averager.add(t_ns, speed_m_s, vector)

    # -- what they come to -----------------------------------------------------------------------------

    def now(self, t_ns: int) -> Weather:
        """What is known at `t_ns`; what is older than weather.stale is not."""
        oldest_ns = t_ns - self._stale_ns
        wind_known = self.wind_ns is not None and self.wind_ns >= oldest_ns
        ground_known = wind_known and self._speed_ns is not None and self._speed_ns >= oldest_ns
        means = self._averager.means(t_ns) if ground_known else None

        def fresh(stamp_ns: int, value: float | None) -> float | None:
            return value if stamp_ns >= oldest_ns else None

        return Weather(
            t_ns,
            self._speed_m_s if ground_known else None,
            self._from_deg if ground_known else None,
            self._apparent_m_s if wind_known else None,
            self._angle_deg if wind_known else None,
            None if means is None else means.short_m_s,
            None if means is None else means.short_from_deg,
            None if means is None else means.long_m_s,
            None if means is None else means.long_from_deg,
            None if means is None else means.gust_m_s,
            None if means is None else means.span_s,
            fresh(self._temperature_ns, self._temperature_c),
            fresh(self._humidity_ns, self._humidity_pct),
            fresh(self._dew_point_ns, self._dew_point_c),
            fresh(self._air_pressure_ns, self._air_pressure_kpa),
        )
