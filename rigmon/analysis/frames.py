"""A run's outputs as numpy columns, from outputs in memory or straight from a run log.

Inside the columns NaN marks what is unknown, because numpy has no None; it never leaves the analysis:
results say None. Every column is one-dimensional and as long as the run has samples.
"""

import sqlite3
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from operator import itemgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rigmon import config
from rigmon.errors import LogError
from rigmon.log.reader import RunLog
from rigmon.model import Act, Alert, Anchor, Finding, Output, Sample, Tally, Weather
from rigmon.rig import Rig

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]
Mask = NDArray[np.bool_]

#: the fields of Sample that the analysis needs; the integers can never be unknown
_INTEGER: Final = ("t_ns", "dt_ns", "basis", "flags")
_FIELDS: Final = (
    "t_ns", "dt_ns", "lat_deg", "lon_deg", "track_deg", "speed_m_s", "speed_sd_m_s", "flow_l_min",
    "pressure_kpa", "boom_on", "basis", "distance_m", "area_m2", "volume_l", "flags",
)  # fmt: skip
_ROW: Final = np.dtype([(name, np.int64 if name in _INTEGER else np.float64) for name in _FIELDS])
_PICK: Final = itemgetter(*(Sample._fields.index(name) for name in _FIELDS))


@dataclass(frozen=True, slots=True)
class Columns:
    """The samples of a run, one array per quantity; NaN where a quantity is unknown.

    `t_ns` is the end of the interval that a sample covers, `dt_ns` its length.
    """

    t_ns: Integers
    dt_ns: Integers
    lat_deg: Floats
    lon_deg: Floats
    track_deg: Floats  #: course over ground as the receiver states it
    speed_m_s: Floats
    speed_sd_m_s: Floats
    flow_l_min: Floats  #: of the whole boom, on `basis`
    pressure_kpa: Floats
    boom_on: Floats  #: 1, 0 or NaN
    basis: Integers
    distance_m: Floats
    area_m2: Floats
    volume_l: Floats
    flags: Integers

    def __len__(self) -> int:
        return len(self.t_ns)

    @property
    def dt_s(self) -> Floats:
        """Length of each interval [s]."""
        return self.dt_ns / 1e9

    @property
    def start_ns(self) -> Integers:
        """Begin of each interval [ns since the run's start]."""
        return self.t_ns - self.dt_ns

    @property
    def position_known(self) -> Mask:
        """Where a latitude and a longitude are known."""
        return ~(np.isnan(self.lat_deg) | np.isnan(self.lon_deg))

    @property
    def position_fresh(self) -> Mask:
        """Where a known position differs from the one known before: between fixes it is repeated."""
        known = np.flatnonzero(self.position_known)
        lat, lon = self.lat_deg[known], self.lon_deg[known]
        moved = np.ones(len(known), dtype=np.bool_)
        moved[1:] = (lat[1:] != lat[:-1]) | (lon[1:] != lon[:-1])
        fresh = np.zeros(len(self), dtype=np.bool_)
        fresh[known[moved]] = True
        return fresh


@dataclass(frozen=True, slots=True)
class RunData:
    """All that a score is made from."""

    rig: Rig
    run_id: str | None
    source: str  #: 'live' or the name of the recording
    ended_cleanly: bool
    duration_s: float
    readings: int  #: how many readings came in
    columns: Columns
    alerts: tuple[Alert, ...]
    anchors: tuple[Anchor, ...]
    tallies: tuple[Tally, ...]
    notes: tuple[str, ...] = ()  #: what the run log's reader says of the file
    findings: tuple[Finding, ...] | None = ()  #: None: the log was made before logs kept them
    acts: tuple[Act, ...] = ()  #: what people did
    weather: tuple[Weather, ...] = ()  #: about once a second, where the rig has a sensor of it


def columns_from_samples(samples: Iterable[Sample]) -> Columns:
    """Columns from samples in time order, taken one at a time: the samples need not be kept."""
    return _columns(map(_PICK, samples))


def from_log(log: RunLog, rig: Rig | None = None) -> RunData:
    """The samples, alerts, anchors and tallies that a run log holds, as they were recorded.

    `rig` None: the one that the log was recorded with. Only the columns that are needed leave the file.
    Raises LogError for a damaged log, ConfigError for a rig in it that cannot be read.
    """
    if rig is None:
        rig = config.parse(log.header.rig_toml, f"{log.path} (rig)")
    try:
        columns = _columns(log.connection.execute(f"SELECT {', '.join(_FIELDS)} FROM sample ORDER BY n"))
    except (sqlite3.Error, TypeError, ValueError, OverflowError) as error:
        raise LogError(f"{log.path}: the run log is damaged: its samples cannot be read: {error}") from error
    return RunData(
        rig=rig,
        run_id=log.header.run_id,
        source=log.header.source,
        ended_cleanly=log.ended_cleanly,
        duration_s=log.duration_s,
        readings=log.readings_count,
        columns=columns,
        alerts=tuple(log.alerts()),
        anchors=tuple(log.anchors()),
        tallies=tuple(log.tallies()),
        notes=tuple(log.notes),
        findings=tuple(log.findings()) if log.keeps_findings else None,
        acts=tuple(log.acts()),
        weather=tuple(log.weather()),
    )


def from_outputs(
    rig: Rig,
    outputs: Iterable[Output],
    *,
    run_id: str | None,
    source: str,
    ended_cleanly: bool,
    duration_s: float | None = None,
    readings: int = 0,
) -> RunData:
    """Gather what the pipeline put out, in its order. `duration_s` None: up to the last output.

    `outputs` is walked once, and `readings` may only be known afterwards: use `dataclasses.replace`.
    """
    alerts: list[Alert] = []
    anchors: list[Anchor] = []
    tallies: list[Tally] = []
    findings: list[Finding] = []
    acts: list[Act] = []
    weather: list[Weather] = []
    last_ns = 0

    def samples() -> Iterator[Sample]:
        nonlocal last_ns
        for output in outputs:
            last_ns = max(last_ns, output.t_ns)
            if isinstance(output, Sample):
                yield output
            elif isinstance(output, Alert):
                alerts.append(output)
            elif isinstance(output, Anchor):
                anchors.append(output)
            elif isinstance(output, Finding):
                findings.append(output)
            elif isinstance(output, Act):
                acts.append(output)
            elif isinstance(output, Weather):
                weather.append(output)
            else:
                tallies.append(output)

    columns = columns_from_samples(samples())
    return RunData(
        rig=rig,
        run_id=run_id,
        source=source,
        ended_cleanly=ended_cleanly,
        duration_s=last_ns / 1e9 if duration_s is None else duration_s,
        readings=readings,
        columns=columns,
        alerts=tuple(alerts),
        anchors=tuple(anchors),
        tallies=tuple(tallies),
        findings=tuple(findings),
        acts=tuple(acts),
        weather=tuple(weather),
    )


def _columns(rows: Iterable[tuple[object, ...]]) -> Columns:
    # numpy reads None into a float field as NaN, so rows need no pass of their own in Python
    table = np.fromiter(rows, dtype=_ROW)
    columns = {name: np.ascontiguousarray(table[name]) for name in _FIELDS}
    for name in _FIELDS:
        if name not in _INTEGER:
            columns[name][np.isinf(columns[name])] = np.nan  # only an altered log holds such a thing
    return Columns(**columns)
