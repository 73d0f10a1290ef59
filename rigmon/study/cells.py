"""The faults of a study: what happens to which rig, and what its right name is.

Sizes are what the trade calls a fault of its kind; where nothing is published they are invented, and said so.
"""

from dataclasses import dataclass, field, replace
from typing import Any, Final

from rigmon.errors import UsageError
from rigmon.rig import Rig
from rigmon.simulate import Event

#: a fault begins soon after the level is learned, or minutes later
_ONSET_S: Final = (150.0, 390.0)
_WATCH_S: Final = 120.0
_HOUR_S: Final = 3600.0
#: a receiver that is late is late from its first fix
_FROM_START: Final = (0.0, 0.0)
#: of more nozzles one is less of the boom, and takes longer to find
_SHORT_BOOM: Final = 12


@dataclass(frozen=True, slots=True)
class Fault:
    """One event of the simulator, from the fault's onset. `lasts_s` None: to the end of the run."""

    kind: str
    size: float | None = None
    lasts_s: float | None = None
    ramp_s: float | None = None  #: None: as its kind grows
    share: float = 1.0  #: of a plugged nozzle

    def event(self, start_s: float, lasts_s: float) -> Event:
        """The simulator's event."""
        return Event(
            self.kind, start_s, self.lasts_s or lasts_s, self.size, ramp_s=self.ramp_s, share=self.share
        )


@dataclass(frozen=True, slots=True)
class Cell:
    """One row of the table. `causes` are the codes of its right name; none: nothing may be raised.

    The fault begins between `onset_s`, and is watched for `watch_s` of the boom on; "in time" is within
    `in_time_s` of it. Without causes the run takes `lasts_s`, and its faults come by turns about every
    `again_s` (0: once).
    """

    name: str
    about: str
    rig: Rig
    faults: tuple[Fault, ...] = ()
    causes: tuple[str, ...] = ()
    in_time_s: float = 15.0
    watch_s: float = _WATCH_S
    onset_s: tuple[float, float] = _ONSET_S
    nozzles: int | None = None  #: so many are plugged
    lasts_s: float = _HOUR_S
    again_s: float = 0.0
    fields: dict[str, Any] = field(default_factory=dict)  #: of the scenario


def cells(rig: Rig, other: Rig | None = None) -> tuple[Cell, ...]:
    """All cells, on a rig with flow, pressure and boom switch in XDR sentences (see `heard`).

    `other` gets the one-nozzle fault too: its boom has another number of nozzles. Pressures and flows in the
    comments are what the simulator's plumbing makes of the fault.
    """
    n = rig.nozzle_count
    plugged = [_plugged(rig, m) for m in (1, 2) if m < n]
    if other is not None:
        plugged.append(_plugged(other, 1))
    return (
        *plugged,
        Cell(
            f"half_plugged_1_of_{n}", f"1 of {n} half plugged", rig,
            (Fault("nozzles_plugged", 1, share=0.5),), ("nozzles_plugged",), in_time_s=60.0,
        ),
        # a pump with nothing to spare: total +3.9 %, pressure -11 %
        Cell(
            "leak", "leak 10 %, no reserve", rig, (Fault("leak", 0.10),), ("boom_leak",),
            in_time_s=30.0, fields={"bypass_pct": 0.0},
        ),
        # a valve that makes up for it: total +4.5 %, pressure -0.9 %
        Cell("leak_small", "leak 5 %, with reserve", rig, (Fault("leak", 0.05),), ("boom_leak",),
             in_time_s=60.0),
        Cell("hose_off", "hose off", rig, (Fault("hose_off"),), ("boom_leak",)),
        # pressure -23 % in the end, nearly all of it in the last minute
        Cell(
            "strainer", "strainer plugs, 3 min", rig, (Fault("strainer_plugging", 0.8, ramp_s=180.0),),
            ("supply_weak",), in_time_s=240.0, watch_s=480.0, fields={"bypass_pct": 10.0},
        ),
        # pressure -14 %
        Cell("pump", "pump 30 % weak", rig, (Fault("pump_weak", 0.3),), ("supply_weak",), in_time_s=60.0),
        # pressure -14 %
        Cell("relief", "relief valve leaks", rig, (Fault("relief_leaking", 0.4),), ("supply_weak",),
             in_time_s=60.0),
        Cell("air", "air in the flowmeter", rig, (Fault("flowmeter_air", 0.3),), ("flowmeter_unsteady",),
             in_time_s=30.0),
        Cell(
            "flowmeter_drift", "flowmeter -8 %, 4 min", rig,
            (Fault("flowmeter_drift", -0.08, ramp_s=240.0),), ("flowmeter_drift",),
            in_time_s=240.0, watch_s=480.0,
        ),
        Cell(
            "pressure_drift", "transducer -16 %, 4 min", rig,
            (Fault("pressure_drift", -0.16, ramp_s=240.0),), ("pressure_drift",),
            in_time_s=240.0, watch_s=480.0,
        ),
        Cell(
            "pressure_offset", "transducer +20 % offset", rig, (Fault("pressure_offset", 0.2),),
            ("pressure_drift",), in_time_s=30.0,
        ),
        Cell("gps_frozen", "GPS speed frozen", rig, (Fault("speed_frozen"),), ("gps_frozen",),
             in_time_s=60.0),
        Cell(
            "gps_late", "GPS speed 1.5 s late", rig, (Fault("speed_late", 1.5),), ("gps_late",),
            in_time_s=300.0, watch_s=900.0, onset_s=_FROM_START,
        ),
        Cell(
            "speed_creep", "speed creeps to -7 %", rig, (Fault("speed_creep", -0.07, ramp_s=60.0),),
            ("speed_creep",), in_time_s=300.0, watch_s=900.0,
        ),
        # half of the flow, or of the pressure's third, gone for a second; a rut
        Cell(
            "bumps_boom", "1 s bumps of the boom", rig,
            (Fault("flow_loss", 0.5, 1.0), Fault("pressure_loss", 0.3, 1.0)), lasts_s=1200.0, again_s=40.0,
        ),
        Cell("bumps_speed", "1 s bumps of the speed", rig, (Fault("speed_bumps", 0.25),), lasts_s=1200.0),
        Cell("healthy", "nothing wrong", rig),
    )  # fmt: skip


def chosen(every: tuple[Cell, ...], names: tuple[str, ...]) -> tuple[Cell, ...]:
    """The cells whose name is, or begins with, one of `names`; all of them for none.

    Raises UsageError for a name that fits no cell.
    """
    for name in names:
        if not any(cell.name.startswith(name) for cell in every):
            raise UsageError(
                f"--cell {name!r} is not known; it must be, or begin, one of: "
                f"{', '.join(cell.name for cell in every)}"
            )
    return tuple(cell for cell in every if not names or cell.name.startswith(names))


def heard(rig: Rig, false_alarms_per_h: float | None = None) -> Rig:
    """The rig with all three sensors in XDR sentences, whatever they are wired to, and with diagnoses.

    Raises UsageError for a rig without a pressure in its catch test: then nothing says what its boom takes.
    """
    if rig.calibration is None or rig.calibration.pressure_kpa is None:
        raise UsageError(
            f"{rig.name}: a study needs calibration.flow and calibration.pressure in the rig file"
        )
    rule = replace(rig.diagnosis, enabled=True)
    if false_alarms_per_h is not None:
        rule = replace(rule, false_alarms_per_h=false_alarms_per_h)
    return replace(
        rig,
        flow=replace(rig.flow, source="xdr"),
        pressure=replace(rig.pressure, source="xdr"),
        boom_switch=replace(rig.boom_switch, source="xdr"),
        diagnosis=rule,
    )


def with_nozzles(rig: Rig, count: int) -> Rig:
    """The same rig with a longer or shorter boom."""
    cal = rig.calibration
    return replace(
        rig,
        nozzle_count=count,
        swath_m=rig.swath_m * count / rig.nozzle_count,
        calibration=None
        if cal is None
        else replace(cal, flow_l_min=cal.flow_l_min * count / rig.nozzle_count),
    )


def _plugged(rig: Rig, m: int) -> Cell:
    n = rig.nozzle_count
    return Cell(
        f"plugged_{m}_of_{n}",
        f"{m} of {n} plugged",
        rig,
        (Fault("nozzles_plugged", m),),
        ("nozzles_plugged",),
        in_time_s=15.0 if n <= _SHORT_BOOM else 30.0,
        nozzles=m,
    )
