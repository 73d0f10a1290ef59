"""A working day with the driver in the loop: he looks at the lights now and then, and moves his thumb.

`rigmon.simulate` drives open loop: its driver wanders about the target speed and never looks. That is the
worst case for alarms. Here the readings go through the pipeline while the day goes on, and what the lights
show decides what the driver does next.

All figures of the day are invented: judgement, not measurement.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from math import exp, sqrt
from random import Random
from typing import Final

from rigmon.core.pipeline import Pipeline
from rigmon.edge.signals import Light, Signal, Sound, signal
from rigmon.model import Alert, NmeaLine, Output, Reading, Sample, Source, Tick
from rigmon.rig import Rig
from rigmon.simulate.sentences import sentence

_STEP_S: Final = 0.2
_STEP_NS: Final = 200_000_000
_KNOT_M_S: Final = 1852 / 3600


@dataclass(frozen=True, slots=True, kw_only=True)
class Day:
    """What happens on a day. Speeds are shares of the target speed; times in s, frequencies per hour."""

    hours: float = 8.0
    seed: int = 1
    looks: bool = True  #: at the lights; False: moves his thumb only when the buzzer speaks of the speed
    look_every_s: tuple[float, float] = (2.0, 5.0)  #: evenly spread
    react_s: float = 0.7
    wander: float = (
        0.05  #: standard deviation of what throttle, ground and slope do to the speed by themselves
    )
    wander_tau_s: float = 10.0
    set_off: float = 0.05  #: standard deviation of the speed that a pass is begun with
    bumps_per_h: float = 20.0  #: a rut or a rock: a third of the speed is gone for about 1 s
    pass_s: float = 95.0
    turn_s: float = 12.0
    refill_every_s: float = 3000.0
    refill_s: float = 600.0
    first_fix_s: float = 20.0  #: without a fix after the start
    dropouts_per_h: float = 6.0  #: under trees
    dropout_s: tuple[float, float] = (0.4, 2.4)
    long_dropouts_per_h: float = 0.0  #: of 5 to 20 s
    speed_noise_m_s: float = 0.04  #: white, of one fix
    speed_drift_m_s: float = 0.03  #: correlated over 2 s
    latency_s: float = 0.4
    pressure_noise: float = 0.01
    flow_noise: float = 0.01
    slosh: float = 0.015  #: standard deviation of the pressure as pump and tank let it wander
    losses_per_h: float = 0.0  #: 40 % of the pressure is gone for 30 s
    silences_per_h: float = 0.0  #: the sensor node says nothing for 10 s


@dataclass(slots=True)
class Load:
    """What the day asked of the driver."""

    hours: float = 0.0
    working_s: float = 0.0  #: boom on
    in_band_s: float = 0.0  #: by the truth
    raised: dict[str, int] = field(default_factory=dict)
    sounds: dict[str, int] = field(default_factory=dict)  #: times that the buzzer began to speak
    sounding_s: float = 0.0
    trouble_lit: int = 0  #: times that the trouble light came on
    end_flashes: int = 0  #: times that an end light began to flash
    spot_moves: int = 0
    most_in_10_min: int = 0  #: alerts raised
    fleeting: int = 0  #: alerts that were over within 5 s

    @property
    def raised_per_h(self) -> float:
        return sum(self.raised.values()) / self.hours

    @property
    def sounds_per_h(self) -> float:
        return sum(self.sounds.values()) / self.hours


class _Wander:
    """Ornstein-Uhlenbeck process in steps."""

    def __init__(self, rng: Random, sd: float, tau_s: float) -> None:
        self._rng = rng
        self._phi = exp(-_STEP_S / tau_s)
        self._kick = sd * sqrt(1 - self._phi * self._phi)
        self.value = sd * rng.gauss(0, 1)

    def step(self) -> float:
        self.value = self._phi * self.value + self._kick * self._rng.gauss(0, 1)
        return self.value


class _Driver:
    """Moves his thumb `react_s` after each look, by what the lights showed."""

    #: how much of the target speed a look corrects, by how far out the spot was
    _AT_THE_END: Final = 0.08
    _NEAR_THE_END: Final = 0.04

    def __init__(self, rng: Random, day: Day) -> None:
        self._rng, self._day = rng, day
        self.throttle = 0.0
        self._next_look_s = 0.0
        self._move_s: float | None = None
        self._move = 0.0
        self._heard = Sound.NONE

    def set_off(self) -> None:
        self.throttle = self._rng.gauss(0, self._day.set_off)

    def step(self, t_s: float, shown: Signal | None, n: int) -> float:
        if self._move_s is not None and t_s >= self._move_s:
            self.throttle += self._move
            self._move_s = None
        move = 0.0
        if shown is not None and self._day.looks and t_s >= self._next_look_s:
            self._next_look_s = t_s + self._rng.uniform(*self._day.look_every_s)
            if shown.spot is not None:
                out = abs(shown.spot) / (n - 1)
                move = self._AT_THE_END if out == 1 else self._NEAR_THE_END if out >= 0.5 else 0.0
                move = -move if shown.spot > 0 else move
        if shown is not None and shown.sound is not self._heard:
            self._heard = shown.sound
            if shown.sound in (Sound.TOO_FAST, Sound.TOO_SLOW):
                move = -self._AT_THE_END if shown.sound is Sound.TOO_FAST else self._AT_THE_END
        if move and self._move_s is None:
            self._move, self._move_s = move, t_s + self._day.react_s
        return self.throttle


def drive(rig: Rig, day: Day) -> Load:
    """Drive the day with the rig's alerts and lights; the rig reads its sensors from XDR."""
    load = Load(hours=day.hours)
    meter = _Meter(load, rig)
    pipeline = Pipeline(rig)
    seq = 0
    for t_ns, lines in _lines(rig, day, meter):
        while t_ns > pipeline.deadline_ns:
            meter.take(pipeline.feed(Reading(seq, pipeline.deadline_ns, Source.HUB, Tick())))
            seq += 1
        for line in lines:
            meter.take(pipeline.feed(Reading(seq, t_ns, Source.GPS, NmeaLine(line))))
            seq += 1
        meter.look(t_ns)
    meter.close()
    return load


class _Meter:
    """What lights and buzzer show over time, and how often they change."""

    def __init__(self, load: Load, rig: Rig) -> None:
        self._load, self._rig = load, rig
        self._sample: Sample | None = None
        self._seen_ns = 0
        self._up_ns: dict[str, int] = {}
        self._raised_ns: list[int] = []
        self.shown: Signal | None = None

    def take(self, outputs: Sequence[Output]) -> None:
        load = self._load
        for output in outputs:
            if type(output) is Sample:
                self._sample, self._seen_ns = output, output.t_ns
            elif type(output) is Alert:
                if output.raised:
                    load.raised[output.code] = load.raised.get(output.code, 0) + 1
                    self._up_ns[output.code] = output.t_ns
                    self._raised_ns.append(output.t_ns)
                else:
                    up_ns = self._up_ns.pop(output.code)
                    load.fleeting += output.t_ns - up_ns < 5_000_000_000

    def look(self, t_ns: int) -> None:
        load, before = self._load, self.shown
        alerts = {code: (t_ns - up_ns) * 1e-9 for code, up_ns in self._up_ns.items()}
        now = signal(self._sample, alerts, self._rig, (t_ns - self._seen_ns) * 1e-9, before)
        self.shown = now
        if now.sound is not Sound.NONE:
            load.sounding_s += _STEP_S
            if before is None or before.sound is not now.sound:
                load.sounds[now.sound.value] = load.sounds.get(now.sound.value, 0) + 1
        if before is None:
            return
        end = len(now.lights) - 1
        dark = before.trouble is Light.DARK
        load.trouble_lit += dark and now.trouble is not before.trouble
        if now.spot != before.spot and now.spot is not None:
            load.spot_moves += before.spot is not None
            load.end_flashes += abs(now.spot) == end

    def worked(self, in_band: bool) -> None:
        """One step with the boom on, by the truth."""
        self._load.working_s += _STEP_S
        self._load.in_band_s += _STEP_S * in_band

    def close(self) -> None:
        times, first = self._raised_ns, 0
        for i, t_ns in enumerate(times):
            while t_ns - times[first] > 600_000_000_000:
                first += 1
            self._load.most_in_10_min = max(self._load.most_in_10_min, i - first + 1)


def _lines(rig: Rig, day: Day, meter: _Meter) -> Iterator[tuple[int, list[bytes]]]:
    """(stamp, lines) of each epoch; the driver looks at what `meter` shows of the one before."""
    rng = Random(day.seed)
    driver = _Driver(rng, day)
    wander = _Wander(rng, day.wander, day.wander_tau_s)
    drift = _Wander(rng, day.speed_drift_m_s, 2.0)
    slosh = _Wander(rng, day.slosh, 20.0)
    target, cal = rig.target.speed_m_s, rig.calibration
    assert cal is not None
    assert cal.pressure_kpa is not None
    low, high = target / (1 + rig.target.tolerance_pct / 100), target / (1 - rig.target.tolerance_pct / 100)
    late = [0.0] * (round(day.latency_s / _STEP_S) + 1)
    speed = pressure = 0.0
    leg_s, since_refill_s, stop_s = 0.0, 0.0, day.first_fix_s
    bump_s = 0.0
    lost_s, gone_s, silent_s = day.first_fix_s, 0.0, 0.0
    per_step = _STEP_S / 3600
    for i in range(1, round(day.hours * 3600 / _STEP_S) + 1):
        t_s = i * _STEP_S
        stop_s = max(0.0, stop_s - _STEP_S)
        if stop_s == 0:
            since_refill_s += _STEP_S
            leg_s += _STEP_S
        if since_refill_s > day.refill_every_s and leg_s > day.pass_s:
            since_refill_s, stop_s = 0.0, day.refill_s
        if leg_s > day.pass_s + day.turn_s:
            leg_s = 0.0
            driver.set_off()
        boom = stop_s == 0 and 3.0 < leg_s <= day.pass_s  # it is switched on when the rig is at speed
        off = wander.step() + driver.step(t_s, meter.shown, len(rig.lights.pins))
        if stop_s == 0 and rng.random() < day.bumps_per_h * per_step:
            bump_s = rng.uniform(0.6, 1.4)
        bump_s = max(0.0, bump_s - _STEP_S)
        if stop_s > 0:
            wish = 0.0
        elif leg_s > day.pass_s:
            wish = 0.7 * target
        else:
            wish = target * (1 + off - (1 / 3 if bump_s else 0.0))
        speed += min(max(wish - speed, -0.5 * _STEP_S), 0.5 * _STEP_S) if not bump_s else (wish - speed) * 0.3
        speed = max(0.0, speed)
        late.append(speed)
        late.pop(0)
        # pressure and flow
        if boom and rng.random() < day.losses_per_h * per_step:
            gone_s = 30.0
        gone_s = max(0.0, gone_s - _STEP_S)
        goal = (1 + slosh.step()) * cal.pressure_kpa * (0.6 if gone_s else 1.0) if boom else 0.0
        pressure += (goal - pressure) * (1 - exp(-_STEP_S / 0.3))
        flow = cal.flow_l_min * sqrt(max(0.0, pressure) / cal.pressure_kpa) if boom else 0.0
        if boom:
            meter.worked(low <= speed <= high)
        lines = []
        # the receiver
        drift.step()
        if rng.random() < day.dropouts_per_h * per_step:
            lost_s = rng.uniform(*day.dropout_s)
        if rng.random() < day.long_dropouts_per_h * per_step:
            lost_s = rng.uniform(5.0, 20.0)
        lost_s = max(0.0, lost_s - _STEP_S)
        if not lost_s:
            heard = late[0] + rng.gauss(0, day.speed_noise_m_s) + drift.value
            knots = abs(heard) / _KNOT_M_S
            hours, rest = divmod(t_s, 3600)
            minutes, seconds = divmod(rest, 60)
            clock = f"{int(hours):02d}{int(minutes):02d}{seconds:05.2f}"
            lines.append(f"GPRMC,{clock},A,4000.00000,N,04000.00000,W,{knots:.2f},20.0,010626,,,A")
        # the node
        if rng.random() < day.silences_per_h * per_step:
            silent_s = 10.0
        silent_s = max(0.0, silent_s - _STEP_S)
        if not silent_s:
            bar = max(0.0, pressure * (1 + rng.gauss(0, day.pressure_noise))) / 100
            per_s = max(0.0, flow * (1 + rng.gauss(0, day.flow_noise))) / 60
            lines.append(f"YXXDR,P,{bar:.4f},B,BOOM,R,{per_s:.5f},l,FLOW,S,{int(boom)},,BOOM")
        yield i * _STEP_NS, [sentence(line).encode() for line in lines]
