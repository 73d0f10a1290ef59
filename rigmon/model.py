"""The types that move through the house. All frozen; None means unknown, never NaN.

They are named tuples: immutable, compared by value with ==, and cheap on a small board.
"""

from enum import IntEnum, IntFlag
from typing import NamedTuple


class Source(IntEnum):
    """Who made a reading. The numbers are stored in run logs: never reuse one."""

    GPS = 1  #: the GPS port
    NODE = 2  #: a second port with NMEA XDR sentences from a sensor node
    FLOW = 3  #: flowmeter wired to the board
    PRESSURE = 4  #: transducer wired to the board
    BOOM = 5  #: boom switch wired to the board
    HUB = 6  #: the hub itself: ticks, overflow
    LOG = 7  #: the run log: late or failed writes
    PERSON = 8  #: notes, refills and the like


class NmeaLine(NamedTuple):
    """One framed line as received, without its line end."""

    raw: bytes


class PulseCount(NamedTuple):
    """A flowmeter's cumulative pulse count since the source opened."""

    total: int
    last_edge_ns: int | None  #: stamp of the newest pulse, on the readings' clock
    lost: int  #: pulses known to be missing from total, cumulative


class AdcCount(NamedTuple):
    """A raw converter reading, and the supply rail's through the same divider where it is measured."""

    counts: int
    bits: int
    supply_counts: int | None


class SwitchState(NamedTuple):
    """The boom switch."""

    on: bool


class Tick(NamedTuple):
    """Nothing came by the core's deadline."""


class SourceFault(NamedTuple):
    """A source opened, closed, overflowed or failed; `lost` counts what is known to be missing."""

    kind: str
    detail: str
    lost: int


class Note(NamedTuple):
    """Something a person or the daemon wants kept with the run."""

    text: str


class Refill(NamedTuple):
    """A person put something into the tank: so much was added, or it was filled to what it holds, or both."""

    volume_l: float | None  #: added; None: not measured, which only a full tank makes up for
    full: bool


class Acknowledge(NamedTuple):
    """A person has seen the alert of this code: it stands and shows on, and sounds no more (ISA-18.2)."""

    code: str


class BeginRun(NamedTuple):
    """A person begins a run."""


class EndRun(NamedTuple):
    """A person ends the run."""

    why: str  #: '': not said


class Retarget(NamedTuple):
    """A person chose a target from the calibration book. It ends the run: a run has one target."""

    name: str  #: of the record; '': the rig file's own target again
    record: str  #: the record as JSON text; '' with the rig file's own


class Carried(NamedTuple):
    """What earlier runs with the same boom and sensors ended with, in front of a run's first reading."""

    run_id: str  #: of the newest of them that began as it should
    flow_l_min: float  #: its boom flow at the calibrated pressure, by the meter and the transducer
    first_flow_l_min: float  #: that of the first run since the calibration
    sd_pct: float  #: noise of the flow coefficient from second to second: standard deviation,
    phi: float  #: autocorrelation, and
    n: int  #: of how many seconds it was learned


#: what a person does during a run
Deed = Note | Refill | Acknowledge | BeginRun | EndRun | Retarget

Payload = NmeaLine | PulseCount | AdcCount | SwitchState | Tick | SourceFault | Deed | Carried


class Reading(NamedTuple):
    """One input. `seq` is arrival order, from the hub alone; `t_ns` is monotonic since the run's start."""

    seq: int
    t_ns: int
    source: Source
    payload: Payload


class Flag(IntFlag):
    """Quality beside the value. The numbers are stored in run logs: never reuse one."""

    GPS_STALE = 1  #: no fix within gps.stale
    GPS_VOID = 2  #: the receiver says it has no fix
    GPS_IMPLAUSIBLE = 4  #: the newest speed was refused as implausible
    SPEED_FROM_POSITION = 8  #: no Doppler speed in the stream; positions differenced
    SPEED_HELD_ZERO = 16  #: the receiver reports exactly zero: it may hold low speeds at zero
    BELOW_MIN_SPEED = 32  #: slower than speed.minimum: no rate is stated
    FLOW_STALE = 64
    FLOW_IMPLAUSIBLE = 128
    PRESSURE_STALE = 256
    PRESSURE_IMPLAUSIBLE = 512
    SWITCH_STALE = 1024
    BOOM_INFERRED = 2048  #: boom state taken from flow or pressure
    BOOM_ASSUMED = 4096  #: boom assumed on above speed.minimum
    LATE_INPUT = 8192  #: a reading came with an older stamp than one before it
    COUNTER_RESET = 16384  #: the flowmeter's count went backwards
    INPUT_LOST = 32768  #: a source reported loss
    LOG_TROUBLE = 65536  #: the run log is late or failing
    WIND_STALE = 131072
    AIR_STALE = 262144  #: neither temperature nor humidity


class Basis(IntEnum):
    """What the flow in a sample rests on, best first."""

    NONE = 0
    FLOWMETER = 1
    PRESSURE = 2  #: calibrated flow x sqrt(P / P_cal)
    CALIBRATION = 3  #: calibrated flow


class Sample(NamedTuple):
    """The state at `t_ns` and what was added in the interval of `dt_ns` that ends there."""

    t_ns: int
    dt_ns: int
    lat_deg: float | None
    lon_deg: float | None
    track_deg: float | None
    speed_m_s: float | None
    speed_sd_m_s: float | None
    flow_l_min: float | None  #: whole boom, on `basis`; 0.0 while the boom is off
    pressure_kpa: float | None
    boom_on: int | None  #: 1, 0 or None
    rate_l_ha: float | None
    rate_u_pct: float | None  #: expanded uncertainty of the rate, k = 2, in % of it
    basis: int
    distance_m: float | None  #: travelled in the interval; None when unknown
    area_m2: float | None  #: treated in the interval; 0.0 with the boom off, None when unknown
    volume_l: float | None  #: applied in the interval; 0.0 with the boom off, None when unknown
    flags: int


class Alert(NamedTuple):
    """An alert was raised or cleared."""

    t_ns: int
    code: str
    raised: bool
    value: float | None
    limit: float | None
    unit: str


class Anchor(NamedTuple):
    """GPS wall time at a stamp: unix time in ms. None: the receiver's date is not believable."""

    t_ns: int
    utc_ms: int | None


class Tally(NamedTuple):
    """How many of something since the last tally of that name: 'sentence', 'fix', 'rejected:<reason>'."""

    t_ns: int
    name: str
    n: int


class Finding(NamedTuple):
    """What the sensors say together and none says alone. Changes in % of what was before.

    None: unknown, or it does not apply. It lasts until the alert of its code clears.
    """

    code: str
    t_ns: int  #: when it was found
    since_ns: int  #: when it began, as estimated
    change_pct: float | None  #: of C; of the speed; of what the one sensor says
    change_u_pct: float | None  #: expanded uncertainty of it (k = 2)
    flow_change_pct: float | None = None
    pressure_change_pct: float | None = None
    sharp: bool | None = None  #: within seconds, not over minutes
    nozzles: int | None = None  #: plugged, of all
    confidence: float | None = None  #: probability of that number among the whole numbers, 0 to 1
    flow_l_min: float | None = None  #: what C amounts to at the calibrated pressure


class Act(NamedTuple):
    """What a person did, as the core took it. What it did not take is in a tally, 'act_refused:<reason>'."""

    t_ns: int
    kind: str  #: note, refill, acknowledge, begin_run, end_run, retarget
    text: str  #: the note; the alert's code; why the run was ended; the record's name
    volume_l: float | None = None  #: of a refill: added; None: not measured
    full: bool | None = None  #: of a refill: the tank holds no more


class Weather(NamedTuple):
    """Wind and air at `t_ns`, about once a second; None: unknown. Wind is over the ground, and where from.

    Speeds are scalar means, directions those of the vector means, from true north.
    """

    t_ns: int
    wind_m_s: float | None  #: the newest reading
    wind_from_deg: float | None
    apparent_wind_m_s: float | None  #: as felt on the rig; None where the sensor gives no relative wind
    apparent_angle_deg: float | None  #: where from, clockwise from the bow
    wind_2min_m_s: float | None  #: over less time where there is not enough yet, see wind_span_s
    wind_2min_from_deg: float | None
    wind_10min_m_s: float | None
    wind_10min_from_deg: float | None
    gust_m_s: float | None  #: highest mean of 3 s in 10 min
    wind_span_s: float | None  #: how far back the 10 min mean and the gust reach
    air_temperature_c: float | None
    humidity_pct: float | None  #: relative
    dew_point_c: float | None  #: as the station states it
    air_pressure_kpa: float | None


Output = Sample | Alert | Anchor | Tally | Finding | Act | Weather


class RunHeader(NamedTuple):
    """What a run log says of itself."""

    run_id: str
    source: str  #: 'live' or the name of the recording it was made from
    rig_toml: str
    software: str
    host: str
    boot_id: str | None
    sqlite: str
    ended_ns: int | None  #: stamp of a clean end; None after a cut
    ended_why: str | None
