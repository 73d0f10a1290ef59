"""What may go wrong in a simulation: kinds of events, an event, and how one is typed."""

from dataclasses import dataclass
from math import isfinite
from typing import Final

from rigmon import units
from rigmon.errors import UsageError


@dataclass(frozen=True, slots=True)
class EventKind:
    """What an event does, and what its size means.

    `unit` of the size: 'percent' (kept as a fraction), 'nozzles' (a whole number) or 'seconds'.
    """

    about: str
    size_means: str = ""  #: empty: takes no size
    default_size: float | None = None  #: None with size_means: a size must be given
    largest: float = 1.0
    unit: str = "percent"
    signed: bool = False  #: the size may be below zero, down to -largest
    slow: bool = False  #: grows over the event's whole duration, unless a ramp is given
    ramps: bool = False  #: may grow over time
    nozzles: bool = False  #: may name nozzles

    def shown(self, size: float) -> str:
        """A size as it is typed, near enough."""
        forms = {"percent": f"{100 * size:g}%", "seconds": f"{size:g} s", "nozzles": f"{size:g}"}
        return forms[self.unit]


EVENT_KINDS: Final[dict[str, EventKind]] = {
    # receiver
    "gps_dropout": EventKind("nothing from the receiver"),
    "void_fix": EventKind(
        "the receiver has no fix and says so", "share of the void fixes with a garbage speed", 0.3
    ),
    "stuck_zero_speed": EventKind("the receiver holds its speed at exactly zero"),
    "speed_frozen": EventKind("the receiver repeats its last speed; its positions go on"),
    "speed_late": EventKind(
        "the receiver's speed comes later than its positions", "by so many seconds", None, 10.0, "seconds"
    ),
    "speed_smoothed": EventKind(
        "the receiver smooths its speed (first order); not its positions",
        "time constant in seconds",
        None,
        60.0,
        "seconds",
    ),
    # driver
    "overspeed": EventKind("the driver goes too fast", "by this share of the target speed", None, 2.0),
    "underspeed": EventKind("the driver goes too slow", "by this share of the target speed", None, 0.9),
    "speed_creep": EventKind(
        "the driver's speed creeps away from the target",
        "by this share of it in the end; below zero: slower",
        None,
        0.5,
        signed=True,
        slow=True,
        ramps=True,
    ),
    "speed_bumps": EventKind(
        "bumps of a second, faster or slower, every 15 s or so", "share of the target speed", 0.25, 0.9
    ),
    # liquid: pump, valve, boom
    "pressure_loss": EventKind(
        "pressure falls, flow by the square root", "share of the pressure that is lost"
    ),
    "flow_loss": EventKind(
        "nozzles or strainer plug: flow falls, pressure stays", "share of the flow that is lost"
    ),
    "nozzles_plugged": EventKind(
        "nozzles plug; share=PERCENT: in part",
        "number of nozzles",
        1.0,
        1000.0,
        "nozzles",
        nozzles=True,
        ramps=True,
    ),
    "tip_missing": EventKind(
        "nozzles lose their tip and pour", "number of nozzles", 1.0, 1000.0, "nozzles", nozzles=True
    ),
    "nozzles_worn": EventKind(
        "nozzles wear: they pass more at the same pressure; all of them, if none is named",
        "share of the flow that they pass more in the end",
        None,
        1.0,
        slow=True,
        nozzles=True,
        ramps=True,
    ),
    "leak": EventKind(
        "liquid leaks between flowmeter and nozzles",
        "flow of the leak as a share of the boom's, at the same pressure",
        None,
        1.0,
        ramps=True,
    ),
    "hose_off": EventKind(
        "a hose comes off behind the flowmeter",
        "flow of the open end as a share of the boom's, at the same pressure",
        4.0,
        100.0,
    ),
    "strainer_plugging": EventKind(
        "the suction strainer plugs",
        "share of its open area that is gone in the end",
        None,
        1.0,
        slow=True,
        ramps=True,
    ),
    "pump_weak": EventKind("the pump delivers less", "share of its flow that is lost", None, 1.0, ramps=True),
    "relief_leaking": EventKind(
        "the relief valve does not close",
        "flow that it lets through as a share of the boom's, at the same pressure",
        None,
        10.0,
        ramps=True,
    ),
    "relief_stuck": EventKind(
        "the relief valve stays as open as it is when all is well; shows beside others"
    ),
    # meters
    "flowmeter_drift": EventKind(
        "the flowmeter reads more, or less (below zero)",
        "by this share",
        None,
        1.0,
        signed=True,
        slow=True,
        ramps=True,
    ),
    "flowmeter_air": EventKind(
        "air in the line: the flowmeter reads too much, in bursts",
        "share by which a burst over-reads",
        0.3,
        5.0,
    ),
    "pressure_drift": EventKind(
        "the transducer reads more, or less (below zero)",
        "by this share",
        None,
        1.0,
        signed=True,
        slow=True,
        ramps=True,
    ),
    "pressure_offset": EventKind(
        "the transducer's zero shifts, up or down (below zero)",
        "share of the calibration's pressure",
        None,
        1.0,
        signed=True,
        ramps=True,
    ),
    # boom and wires
    "boom_left_on": EventKind("the boom stays on where it should be off"),
    "boom_left_off": EventKind("the boom stays off where it should be on"),
    "flow_silent": EventKind("nothing from the flowmeter"),
    "pressure_silent": EventKind("nothing from the pressure transducer"),
    "switch_silent": EventKind("nothing from the boom switch"),
    "wind_silent": EventKind("nothing from the wind sensor"),
    "air_silent": EventKind("nothing of temperature and humidity"),
    "garbled": EventKind("lines are damaged on the way", "share of the lines that are damaged", 0.2),
}


@dataclass(frozen=True, slots=True)
class Event:
    """Something goes wrong from `start_s` (after the start of the recording) for `duration_s`.

    `size` is a fraction (0.3 is 30 %), a number of nozzles or seconds; what of, EVENT_KINDS says. None takes
    the kind's default. `ramp_s`: it grows from nothing to its size in so long; None: at once, or over the
    whole duration where the kind is a slow one. `nozzles` are numbered from 1 at the left end; left out, the
    scenario's seed picks them. `share` of a plugged nozzle's flow is lost.
    Raises UsageError for a kind, time or size that cannot be.
    """

    kind: str
    start_s: float
    duration_s: float
    size: float | None = None
    ramp_s: float | None = None
    nozzles: tuple[int, ...] = ()
    share: float = 1.0

    def __post_init__(self) -> None:
        kind = EVENT_KINDS.get(self.kind)
        if kind is None:
            raise UsageError(f"event '{self.kind}' is not known; use one of: {', '.join(EVENT_KINDS)}")
        if not (isfinite(self.start_s) and self.start_s >= 0):
            raise UsageError(f"event {self.kind}: start {self.start_s:g} s must be 0 s or later")
        if not (isfinite(self.duration_s) and self.duration_s > 0):
            raise UsageError(f"event {self.kind}: duration {self.duration_s:g} s must be above 0 s")
        if self.ramp_s is None:
            object.__setattr__(self, "ramp_s", self.duration_s if kind.slow else 0.0)
        elif not kind.ramps and self.ramp_s != 0:
            raise UsageError(f"event {self.kind} takes no ramp: it comes at once")
        elif not (isfinite(self.ramp_s) and self.ramp_s >= 0):
            raise UsageError(f"event {self.kind}: ramp {self.ramp_s:g} s must be 0 s or longer")
        self._check_nozzles(kind)
        if not kind.size_means:
            if self.size is not None:
                raise UsageError(f"event {self.kind} takes no size: {kind.about}")
            return
        if self.size is None:
            size = float(len(self.nozzles)) if kind.unit == "nozzles" and self.nozzles else kind.default_size
            if size is None:
                example = {"percent": "30%", "seconds": "1.5 s"}[kind.unit]
                raise UsageError(f"event {self.kind} needs a size, such as {example}: {kind.size_means}")
            object.__setattr__(self, "size", size)
            return
        self._check_size(kind, self.size)

    def _check_size(self, kind: EventKind, size: float) -> None:
        magnitude = abs(size) if kind.signed else size
        if not 0 < magnitude <= kind.largest:
            shown = kind.shown(size)
            most = kind.shown(kind.largest)
            either = f"from -{most} to {most}, but not" if kind.signed else f"at most {most} and above"
            if kind.unit == "percent" and not kind.signed:
                raise UsageError(
                    f"event {self.kind}: size {shown} must be above 0% and at most {most}: {kind.size_means}"
                )
            raise UsageError(f"event {self.kind}: size {shown} must be {either} 0: {kind.size_means}")
        if kind.unit == "nozzles":
            if size != int(size):
                raise UsageError(f"event {self.kind}: size {size:g} must be a whole number of nozzles")
            if self.nozzles and size != len(self.nozzles):
                raise UsageError(
                    f"event {self.kind}: size {size:g} is not the number of nozzles named, "
                    f"{len(self.nozzles)}; leave the size out, or the names"
                )

    def _check_nozzles(self, kind: EventKind) -> None:
        if self.nozzles and not kind.nozzles:
            raise UsageError(f"event {self.kind} names no nozzles: {kind.about}")
        whole = all(isinstance(n, int) and n >= 1 for n in self.nozzles)
        if not whole or len(set(self.nozzles)) != len(self.nozzles):
            named = "+".join(str(n) for n in self.nozzles)
            raise UsageError(
                f"event {self.kind}: nozzles {named} must be different whole numbers from 1, such as 3+4"
            )
        if self.share != 1 and self.kind != "nozzles_plugged":
            raise UsageError(f"event {self.kind} takes no share; nozzles_plugged does")
        if not 0 < self.share <= 1:
            raise UsageError(
                f"event {self.kind}: share {100 * self.share:g}% must be above 0% and at most 100%: of a "
                "plugged nozzle's flow"
            )

    @property
    def end_s(self) -> float:
        return self.start_s + self.duration_s

    def grown(self, t_s: float) -> float:
        """Which part of its size it has reached at a time from its start on, 0 to 1."""
        return min((t_s - self.start_s) / self.ramp_s, 1.0) if self.ramp_s else 1.0


def parse_event(text: str) -> Event:
    """An event as typed: 'kind,start,duration[,size][,ramp=TIME][,nozzles=3+4][,share=PERCENT]'.

    Such as 'pressure_loss,120s,20s,30%' or 'nozzles_plugged,120s,60s,1,ramp=20s'.
    Raises UsageError that says what is wrong with the text and what would be right.
    """
    parts = [part.strip() for part in text.split(",")]
    named = [part for part in parts[3:] if "=" in part]
    plain = [part for part in parts[3:] if "=" not in part]
    if len(parts) < 3 or len(plain) > 1 or (plain and parts[3] is not plain[0]):
        raise UsageError(
            f"event '{text}' must read kind,start,duration or kind,start,duration,size, such as "
            "pressure_loss,120s,20s,30%; then any of ramp=20s, nozzles=3+4, share=50%; "
            f"kinds are: {', '.join(EVENT_KINDS)}"
        )
    try:
        kind = EVENT_KINDS.get(parts[0])
        if kind is None:
            raise UsageError(f"'{parts[0]}' is not known; use one of: {', '.join(EVENT_KINDS)}")
        start_s, duration_s = (units.parse(part, "time") for part in parts[1:3])
        size = _size(kind, plain[0]) if plain else None
        extra = _extra(named)
        return Event(
            parts[0],
            start_s,
            duration_s,
            size,
            units.parse(extra["ramp"], "time") if "ramp" in extra else None,
            _numbers(extra["nozzles"]) if "nozzles" in extra else (),
            _percentage(extra["share"], "share") if "share" in extra else 1.0,
        )
    except UsageError as error:
        raise UsageError(f"event '{text}': {error}") from error


def _extra(parts: list[str]) -> dict[str, str]:
    found: dict[str, str] = {}
    for part in parts:
        name, _, value = (piece.strip() for piece in part.partition("="))
        if name not in ("ramp", "nozzles", "share"):
            raise UsageError(f"'{part}' is not known; use ramp=20s, nozzles=3+4 or share=50%")
        if name in found:
            raise UsageError(f"{name} is given twice")
        found[name] = value
    return found


def _size(kind: EventKind, text: str) -> float:
    if kind.unit == "seconds" and kind.size_means:
        return units.parse(text, "time")
    if kind.unit == "nozzles":
        try:
            return float(int(text))
        except (ValueError, OverflowError):
            raise UsageError(f"size '{text}' must be a number of nozzles, such as 1") from None
    return _percentage(text, "size")


def _percentage(text: str, name: str) -> float:
    try:
        if not text.endswith("%"):
            raise ValueError
        return float(text[:-1]) / 100
    except ValueError:
        raise UsageError(f"{name} '{text}' must be a percentage, such as 30%") from None


def _numbers(text: str) -> tuple[int, ...]:
    try:
        return tuple(int(part) for part in text.split("+"))
    except ValueError:
        raise UsageError(f"nozzles '{text}' must be whole numbers joined by +, such as 3+4") from None
