"""What each light and the buzzer show, as pure functions: no clock, no pins, no threads.

`signal` turns the newest sample and the alerts that are up into a Signal, a pattern for each light and for
the buzzer; `level` says whether a pattern is on at a time. The coding is rigmon's own; the hardware notes
explain it to the driver:

    strip     one spot: a light, or two neighbours, steady where the speed lies in the band
              the slow end alone, flashing slowly: too slow. The fast end alone, flashing fast: too fast
              both ends, steady: no speed can be held, for something is unknown. Dark: the boom is off
    trouble   steady: something is wrong. Flashing fast: it needs the driver's hand now. What was
              acknowledged stays steady and makes no sound
    buzzer    one long tone: look at boom and pump. Four quick ticks: too fast. Two slow ones: too slow
"""

from collections.abc import Container, Mapping
from enum import Enum
from math import exp, floor
from typing import Final, NamedTuple

from rigmon.edge.guide import advise
from rigmon.model import Sample
from rigmon.rig import Rig

#: without a sample for so long nothing counts as known: the core makes one at least every 1.1 s
STALE_S: Final = 2.0
#: a speed alert sounds when it has been up for so long: until then the strip alone calls the eye
SPEED_SOUND_AFTER_S: Final = 3.0
#: a spot moves on when the speed is past its border by half a step, but at most this share of the tolerance
_STICKS: Final = 0.1
#: the spot follows the speed with this lag, as a gauge's needle does, so that it does not tremble [s]
DAMPED_S: Final = 0.8
#: for so long after the boom came on its pressure rises, and the speed to hold with it
_SETTLES_NS: Final = 1_000_000_000
#: nothing is further out than so many tolerances, so that the spot is soon back
_FARTHEST: Final = 1.5
#: each light in turn for so long when a run starts [s]
LAMP_TEST_STEP_S: Final = 0.15
_CHIRP_S: Final = 0.06
#: the strip that is reckoned with where there is none, as for the buzzer alone
_FEWEST: Final = 3


class Light(Enum):
    """A light's pattern: the times on and off in turn [s]; empty: it never changes."""

    DARK = "dark"
    STEADY = "steady"
    SLOW = "slow"
    FAST = "fast"


class Sound(Enum):
    """The buzzer's pattern."""

    NONE = "none"
    TOO_FAST = "too fast"
    TOO_SLOW = "too slow"
    FLOW = "flow"


#: Times on and off in turn [s]. Flashes: two rates in all, 4 Hz and 1.25 Hz (MIL-STD-1472E 5.15.3.3: one of
#: 3 to 5 Hz, a second of 2 Hz or less). Sounds: told apart by number and length, said within 1 s, with a
#: pause of more than twice that before they are said again.
RHYTHM: Final[dict[Light | Sound, tuple[float, ...]]] = {
    Light.FAST: (0.125, 0.125),
    Light.SLOW: (0.4, 0.4),
    Sound.TOO_FAST: (0.08, 0.12, 0.08, 0.12, 0.08, 0.12, 0.08, 2.32),
    Sound.TOO_SLOW: (0.25, 0.35, 0.25, 2.15),
    Sound.FLOW: (0.9, 2.1),
}


class Manner(NamedTuple):
    """How an alert shows besides the terminal."""

    trouble: Light
    sound: Sound = Sound.NONE
    sound_after_s: float = 0.0  #: of being up


_HAND: Final = Manner(
    Light.FAST, Sound.FLOW
)  # pump, valve, strainer or nozzle: only the driver can see to it
_KNOW: Final = Manner(Light.STEADY)  # nothing the hand could do at once; what is unknown looks unknown

#: Every alert the core knows. The speed's alerts are the strip's to show, so that how fast and what is wrong
#: stay apart.
MANNERS: Final[dict[str, Manner]] = {
    "pressure_loss": _HAND,
    "boom_leak": _HAND,
    "nozzles_plugged": _HAND,
    "supply_weak": _HAND,
    "rate_high": _HAND,
    "rate_low": _HAND,
    "speed_fast": Manner(Light.DARK, Sound.TOO_FAST, SPEED_SOUND_AFTER_S),
    "speed_slow": Manner(Light.DARK, Sound.TOO_SLOW, SPEED_SOUND_AFTER_S),
    # the driver stops or goes on by the label; a tone that means boom and pump would mislead
    "wind_high": Manner(Light.FAST),
    "gust_high": Manner(Light.FAST),
    "wind_low": _KNOW,
    "temperature_high": _KNOW,
    "temperature_low": _KNOW,
    "humidity_high": _KNOW,
    "humidity_low": _KNOW,
    "wind_silent": _KNOW,
    "air_silent": _KNOW,
    "start_mismatch": _KNOW,
    "nozzles_worn": _KNOW,
    "output_changed": _KNOW,
    "flowmeter_unsteady": _KNOW,
    "flowmeter_drift": _KNOW,
    "pressure_drift": _KNOW,
    "gps_frozen": _KNOW,
    "gps_late": _KNOW,
    "speed_creep": Manner(Light.DARK),  # no haste: the strip shows the way
    "gps_lost": _KNOW,
    "gps_implausible": _KNOW,
    "flow_silent": _KNOW,
    "flow_implausible": _KNOW,
    "pressure_silent": _KNOW,
    "pressure_implausible": _KNOW,
    "boom_switch_silent": _KNOW,
    "input_lost": _KNOW,
    "run_log_trouble": _KNOW,
}


class Signal(NamedTuple):
    """What is shown. `lights` go from the slow end to the fast end, as many as the rig's lights.pins."""

    lights: tuple[Light, ...]
    trouble: Light
    sound: Sound
    #: where the speed is, in half lights from the middle, negative when slow; +-(n - 1), the end lights, is
    #: outside the band. None: there is no spot
    spot: int | None = None
    share: float = 0.0  #: the same before it was rounded: share of the tolerance used up, damped
    t_ns: int = 0  #: the sample's stamp
    #: from when on the boom counts as on for good; None: it is not known to be on
    settled_ns: int | None = None


def signal(
    sample: Sample | None,
    alerts: Mapping[str, float],
    rig: Rig,
    age_s: float,
    before: Signal | None = None,
    acknowledged: Container[str] = (),
) -> Signal:
    """What to show `age_s` after `sample` came (without one: after the start).

    `alerts` are the codes that are up, each with how long it has been [s]; of these the `acknowledged` are
    shown and not heard, and do not flash (ISA-18.2). `before` is what was shown until now: from it the spot
    moves on, damped, and does not tremble about a border.
    """
    n = len(rig.lights.pins) or _FEWEST
    stale = age_s >= STALE_S
    sample = None if stale else sample
    if sample is not None and before is not None and sample.t_ns < before.t_ns:
        before = None  # a run that begins anew: what was shown is of another
    boom_on = sample is not None and sample.boom_on == 1
    spot: int | None = None
    share, t_ns = 0.0, 0
    settled_ns: int | None = None
    settling = False
    if sample is not None and boom_on:
        t_ns = sample.t_ns
        settled_ns = t_ns if before is None else before.settled_ns
        if settled_ns is None:
            settled_ns = t_ns + _SETTLES_NS
        now = advise(sample, rig).share(sample.speed_m_s)
        settling = now is not None and t_ns < settled_ns
        if now is not None and not settling:
            share = max(-_FARTHEST, min(_FARTHEST, now))
            at: int | None = None
            if before is not None and before.spot is not None:
                at = before.spot
                share = before.share + (share - before.share) * _damping((t_ns - before.t_ns) * 1e-9)
            spot = _spot(share, n, at)
    if settling or (sample is not None and sample.boom_on == 0):
        lights = (Light.DARK,) * n
    elif spot is None:
        lights = tuple(Light.STEADY if i in (0, n - 1) else Light.DARK for i in range(n))
    else:
        lights = spot_lights(spot, n)
    return Signal(
        lights if rig.lights.pins else (),
        Light.STEADY if stale else _trouble(alerts, boom_on, acknowledged),
        _sound(alerts, spot, n, acknowledged) if boom_on else Sound.NONE,
        spot,
        share,
        t_ns,
        settled_ns,
    )


def changes_in_s(alerts: Mapping[str, float], age_s: float) -> float | None:
    """When `signal` may give something else though nothing new came [s]; None: it will not."""
    waits = [STALE_S - age_s]
    waits += [MANNERS[code].sound_after_s - up_s for code, up_s in alerts.items() if code in MANNERS]
    return min((wait for wait in waits if wait > 0), default=None)


# -- the strip -----------------------------------------------------------------------------------------


def _damping(dt_s: float) -> float:
    """How far the needle has gone to where it is drawn, `dt_s` after the sample before: a first-order lag."""
    return 1 - exp(-max(dt_s, 0.0) / DAMPED_S)


def _spot(share: float, n: int, before: int | None) -> int:
    """In half lights from the middle. The band takes 2 n - 3 equal steps of the tolerance."""
    end = n - 1
    step = 2 / (2 * n - 3)
    stick = min(step / 2, _STICKS)
    if share < -1 or (before == -end and share <= stick - 1):
        return -end
    if share > 1 or (before == end and share >= 1 - stick):
        return end
    if before is not None and abs(before) < end and abs(share - before * step) <= step / 2 + stick:
        return before
    return max(-(n - 2), min(n - 2, floor(share / step + 0.5)))


def spot_lights(spot: int, n: int) -> tuple[Light, ...]:
    """The strip of n lights for a spot in half lights from the middle."""
    if spot == -(n - 1):
        return (Light.SLOW, *[Light.DARK] * (n - 1))
    if spot == n - 1:
        return (*[Light.DARK] * (n - 1), Light.FAST)
    at = n - 1 + spot  # light i stands at half light 2 i
    return tuple(Light.STEADY if abs(2 * i - at) <= 1 else Light.DARK for i in range(n))


# -- what is wrong -------------------------------------------------------------------------------------


def _trouble(alerts: Mapping[str, float], boom_on: bool, acknowledged: Container[str]) -> Light:
    found = {MANNERS.get(code, _KNOW).trouble for code in alerts}
    fresh = {MANNERS.get(code, _KNOW).trouble for code in alerts if code not in acknowledged}
    if Light.FAST in fresh and boom_on:
        return Light.FAST
    return Light.STEADY if found - {Light.DARK} else Light.DARK


def _sound(alerts: Mapping[str, float], spot: int | None, n: int, acknowledged: Container[str]) -> Sound:
    """The boom and its pump first. A speed that is back in the band has been seen to."""
    due = {
        manner.sound
        for code, up_s in alerts.items()
        if (manner := MANNERS.get(code, _KNOW)).sound is not Sound.NONE
        and up_s >= manner.sound_after_s
        and code not in acknowledged
    }
    if Sound.FLOW in due:
        return Sound.FLOW
    if Sound.TOO_FAST in due and spot == n - 1:
        return Sound.TOO_FAST
    if Sound.TOO_SLOW in due and spot == -(n - 1):
        return Sound.TOO_SLOW
    return Sound.NONE


# -- patterns over time --------------------------------------------------------------------------------


def level(pattern: Light | Sound, t_s: float) -> tuple[bool, float | None]:
    """Whether a pattern that began `t_s` ago (0 or more) is on, and when that changes [s]; None: never."""
    times = RHYTHM.get(pattern)
    if times is None:
        return pattern is Light.STEADY, None
    into = t_s % sum(times)
    on = True
    for length in times:
        if into < length:
            return on, length - into
        into -= length
        on = not on
    return True, times[0]  # rounding led past the end: the next round begins


def lamp_test(n: int, t_s: float) -> tuple[tuple[bool, ...], float | None]:
    """Which of n lights are on `t_s` after the start: one after another, so that a dead one is seen.

    And when that changes [s]; None: the test is over.
    """
    at = floor(t_s / LAMP_TEST_STEP_S)
    return tuple(i == at for i in range(n)), None if at >= n else (at + 1) * LAMP_TEST_STEP_S - t_s


def chirp(t_s: float) -> tuple[bool, float | None]:
    """The buzzer's own test: one short tone at the start."""
    return (True, _CHIRP_S - t_s) if t_s < _CHIRP_S else (False, None)
