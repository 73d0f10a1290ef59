"""The rig as frozen data, in carried units. No file access: `rigmon.config` reads and writes it."""

from dataclasses import dataclass, field
from datetime import date
from typing import NamedTuple


@dataclass(frozen=True, slots=True)
class Target:
    rate_l_ha: float
    speed_m_s: float
    tolerance_pct: float
    record: str | None = None  #: the calibration book's record it was taken from


@dataclass(frozen=True, slots=True)
class Calibration:
    """Whole-boom output from the catch test, with clean water."""

    flow_l_min: float
    pressure_kpa: float | None
    taken_on: date | None
    uncertainty_pct: float  #: standard uncertainty (k = 1) of flow_l_min
    record: str | None = None  #: the calibration book's record it was taken from


@dataclass(frozen=True, slots=True)
class Nozzles:
    """The nozzle set that is fitted. Pressures bound its spray pattern, as its maker's sheet gives them."""

    set_name: str | None = None  #: what the person calls the set
    size: str | None = None  #: ISO 10625, such as "03"
    rated_flow_l_min: float | None = None  #: of one nozzle, at rated_pressure_kpa
    rated_pressure_kpa: float | None = None
    spray_angle_deg: float | None = None
    pressure_low_kpa: float | None = None
    pressure_high_kpa: float | None = None


@dataclass(frozen=True, slots=True)
class Gps:
    port: str
    baud: int
    stale_s: float
    speed_noise_m_s: float  #: standard deviation of one Doppler speed
    speed_bias_pct: float  #: standard uncertainty of speed that does not average out
    accept_missing_checksum: bool
    position_uncertainty_m: float | None = None  #: standard, of one pass beside another; None: not stated


@dataclass(frozen=True, slots=True)
class Node:
    """A second port with XDR sentences; port None: the sensors speak on the GPS port."""

    port: str | None
    baud: int


@dataclass(frozen=True, slots=True)
class Speed:
    minimum_m_s: float  #: below it no rate is stated, and an unswitched boom is assumed off
    stationary_m_s: float  #: below it the rig stands still
    maximum_m_s: float  #: above it a reading is implausible
    jerk_m_s3: float  #: how briskly the speed changes: the filter's process noise


@dataclass(frozen=True, slots=True)
class FlowSensor:
    source: str  #: none | gpio | xdr
    xdr_name: str
    pin: int | None
    pulses_per_l: float | None
    maximum_l_min: float
    uncertainty_pct: float
    stale_s: float
    record: str | None = None  #: the calibration book's record of the meter
    pull: str = "up"  #: up | down | none: the pulse pin's resistor


@dataclass(frozen=True, slots=True)
class PressureSensor:
    source: str  #: none | adc | xdr
    xdr_name: str
    chip: str
    channel: int
    supply_channel: int | None
    zero_fraction: float  #: converter fraction of full scale (or of the supply rail) at zero pressure
    span_fraction: float  #: the same at span_kpa
    span_kpa: float
    maximum_kpa: float
    uncertainty_pct: float
    stale_s: float
    record: str | None = None  #: the calibration book's record of the transducer
    spi_device: int = 0  #: chip select


@dataclass(frozen=True, slots=True)
class BoomSwitch:
    source: str  #: none | gpio | xdr
    xdr_name: str
    pin: int | None
    stale_s: float
    pull: str = "up"  #: up | down | none: the switch pin's resistor
    on_level: str = "low"  #: low | high: the pin's level while the boom is on


@dataclass(frozen=True, slots=True)
class WeatherSensor:
    """What tells of wind and air, and the limits that the person set. No limit has a default."""

    wind: str = "none"  #: none | relative | true (sentences MWV) | mda
    air: str = "none"  #: none | mda | xdr: where temperature and humidity come from
    temperature_name: str = "AIR"
    humidity_name: str = "AIR"
    true_angle_from: str = "bow"  #: bow | north: what a true MWV counts its angle from
    zero_deg: float = 0.0  #: the wind sensor's zero, clockwise from the bow
    ground_heading_deg: float | None = None  #: of a sensor on the ground: its zero, clockwise from true north
    magnetic_variation_deg: float | None = None  #: east positive
    height_m: float | None = None  #: of the wind sensor above the ground
    stale_s: float = 10.0
    wind_max_m_s: float | None = None
    gust_max_m_s: float | None = None
    wind_min_m_s: float | None = None
    temperature_max_c: float | None = None
    temperature_min_c: float | None = None
    humidity_max_pct: float | None = None
    humidity_min_pct: float | None = None

    @property
    def fitted(self) -> bool:
        return self.wind != "none" or self.air != "none"


@dataclass(frozen=True, slots=True)
class Lights:
    """Single lights on the board, in a row from the slow side to the fast side, and one for trouble."""

    pins: tuple[int, ...] = ()  #: BCM numbers; three to eight, or none
    trouble_pin: int | None = None
    on_level: str = "high"


@dataclass(frozen=True, slots=True)
class Buzzer:
    pin: int | None = None
    on_level: str = "high"


@dataclass(frozen=True, slots=True)
class RunRules:
    """When a run begins and ends by itself."""

    begin: str = "start"  #: start: with rigmon; work: when the boom is on and the rig moves
    end_after_s: float | None = None  #: the rig stood still, boom off, for so long
    stop_pin: int | None = None  #: button that ends the run
    stop_level: str = "low"  #: the pin's level while the button is pressed


@dataclass(frozen=True, slots=True)
class PowerFail:
    """The pin that says that the supply is going, while there is still time to close the log."""

    fail_pin: int | None = None
    fail_level: str = "low"
    fail_delay_s: float = 0.5  #: shorter dips are ridden through


@dataclass(frozen=True, slots=True)
class LogSpace:
    """How run logs make room for new ones."""

    keep_free_mb: int = 500
    delete_unscored: bool = False


@dataclass(frozen=True, slots=True)
class Web:
    """Where the live pages are served."""

    enabled: bool = False
    address: str = "127.0.0.1"
    port: int = 8088
    hosts: tuple[str, ...] = ()  #: further names of this board, lower case
    max_clients: int = 20


@dataclass(frozen=True, slots=True)
class Mqtt:
    """The broker that the pages' process publishes to; host None: none."""

    host: str | None = None
    port: int = 1883
    topic: str = "rigmon"
    username: str | None = None
    password_file: str | None = None


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """How the sensors are compared with one another."""

    enabled: bool = True
    false_alarms_per_h: float = 0.1  #: tolerated, of all diagnoses together
    smallest_change_pct: float = 4.0  #: of the flow coefficient, or of the boom's output
    learning_s: float = 30.0  #: time with the boom on and settled from which a run's own level is learned
    settling_s: float | None = None  #: waited after switching on; None: measured
    start_flow_l_min: float | None = None  #: flow at calibration.pressure at the end of an earlier run
    creep_pct: float = 5.0  #: lasting deviation of the speed that matters


@dataclass(frozen=True, slots=True)
class AlertRule:
    enabled: bool
    limit_pct: float | None  #: None: the target's tolerance, or not a percentage
    deadband_pct: float
    on_delay_s: float | None  #: exactly one of on_delay_s and on_delay_m is set
    on_delay_m: float | None
    off_delay_s: float


@dataclass(frozen=True, slots=True)
class Rig:
    name: str
    nozzle_count: int
    nozzle_spacing_m: float
    swath_m: float
    swath_uncertainty_pct: float
    units: str  #: us | metric
    target: Target
    calibration: Calibration | None
    gps: Gps
    node: Node
    speed: Speed
    flow: FlowSensor
    pressure: PressureSensor
    boom_switch: BoomSwitch
    sample_step_s: float
    required_area_pct: float
    runs_folder: str
    alerts: dict[str, AlertRule] = field(hash=False)
    nozzles: Nozzles = Nozzles()
    tank_l: float | None = None  #: what the tank holds
    max_age_days: int = 30  #: a calibration older than this is due again
    book_file: str = "calibration.sqlite"  #: the calibration book; relative to the rig file's folder
    lights: Lights = Lights()
    buzzer: Buzzer = Buzzer()
    runs: RunRules = RunRules()
    power: PowerFail = PowerFail()
    log_space: LogSpace = LogSpace()
    diagnosis: Diagnosis = Diagnosis()
    web: Web = Web()
    mqtt: Mqtt = Mqtt()
    weather: WeatherSensor = WeatherSensor()

    @property
    def records(self) -> tuple[str, ...]:
        """Names of the calibration records that this rig's numbers were taken from, in the file's order.

        A record of a sensor that is not in use is left out.
        """
        named = (
            self.target.record,
            self.calibration.record if self.calibration is not None else None,
            self.flow.record if self.flow.source != "none" else None,
            self.pressure.record if self.pressure.source != "none" else None,
        )
        return tuple(dict.fromkeys(name for name in named if name is not None))


class Retargeted(NamedTuple):
    """A rig with a target from the calibration book, and the text that a run log carries of it."""

    rig: Rig
    rig_toml: str
    records: tuple[str, ...]  #: the calibration records in use then, as JSON texts
