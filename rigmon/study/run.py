"""One run of a cell: simulate it, feed the pipeline, and say what was raised, when, and whether it was right.

Delays count while the boom is on, from the fault's onset (or from when the boom comes on after it): in
seconds and in metres of treated ground. `clock_s` counts the turns in between too.
"""

import hashlib
import json
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import ceil
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigmon import simulate as sim
from rigmon.core.conditions import DIAGNOSED
from rigmon.core.pipeline import Pipeline
from rigmon.model import Alert, Finding, Output
from rigmon.replay import drive
from rigmon.simulate.noise import Floats
from rigmon.study.cells import Cell
from rigmon.study.noise import Noise

#: long enough for a rhythm of work on a small field; invented
_PASS_LENGTH_M: Final = 150.0
#: the last reading that belongs to a run is in the pipeline before its end
_SPARE_S: Final = 2.0


def seed_of(seed: int, name: str, number: int) -> int:
    """The seed of run `number` of a cell: its own, whichever other cells and runs there are."""
    digest = hashlib.sha256(f"{seed} {name} {number}".encode()).digest()
    return int.from_bytes(digest[:7], "big")


def work(cell: Cell, noise: Noise, seed: int, number: int) -> str:
    """`one_run` as JSON text, which goes between processes."""
    return json.dumps(one_run(cell, noise, seed, number), allow_nan=False)


def one_run(cell: Cell, noise: Noise, seed: int, number: int) -> dict[str, Any]:
    """Simulate and feed one run. Returns

    on_s          time with the boom on that was watched; of a fault: before its onset
    alarms        before the onset (or in a run without one): [code, s from the start]
    found         None, or of the first alarm after the onset: code, delay_s, delay_m, clock_s
    last          None, or the code of the last alarm in the watched time
    nozzles       None, or how many plugged ones were named first
    """
    own = seed_of(seed, cell.name, number)
    rng = random.Random(own)
    onset_s = rng.uniform(*cell.onset_s)
    scenario = replace(
        _scenario(cell, noise, own, number, rng, onset_s), events=tuple(_events(cell, onset_s, rng))
    )
    recorded = sim.record(scenario)
    trace = recorded.trace
    on = _BoomOn.along(trace.t_s, trace.path_m, trace.boom_on)
    if cell.causes:
        begun_s = onset_s
        end_s = on.when(on.seconds(onset_s) + cell.watch_s)
    else:
        begun_s = end_s = cell.lasts_s
    raised: list[tuple[str, float]] = []
    named: list[int] = []
    for output in _outputs(recorded, end_s):
        if isinstance(output, Alert) and output.raised and output.code in DIAGNOSED:
            raised.append((output.code, output.t_ns / 1e9))
        elif isinstance(output, Finding) and output.nozzles and output.t_ns >= begun_s * 1e9:
            named.append(output.nozzles)
    late = [(code, t_s) for code, t_s in raised if t_s >= begun_s]
    found = None
    if late:
        code, t_s = late[0]
        found = {
            "code": code,
            "delay_s": on.seconds(t_s) - on.seconds(onset_s),
            "delay_m": on.metres(t_s) - on.metres(onset_s),
            "clock_s": t_s - onset_s,
        }
    return {
        "on_s": on.seconds(begun_s),
        "alarms": [[code, t_s] for code, t_s in raised if t_s < begun_s],
        "found": found,
        "last": late[-1][0] if late else None,
        "nozzles": named[0] if named else None,
    }


def _scenario(
    cell: Cell, noise: Noise, own: int, number: int, rng: random.Random, onset_s: float
) -> sim.Scenario:
    """Long enough for the cell, without its events."""
    fields: dict[str, Any] = {
        "rig": cell.rig,
        "seed": own,
        "pass_length_m": _PASS_LENGTH_M,
        "boom_off_in_turns": True,
        # it has speed, place and time; the other sentences say them again
        "sentences": ("RMC",),
        **noise.fields(number, rng),
        **cell.fields,
    }
    one, two = (sim.Scenario(**{**fields, "passes": n}) for n in (1, 2))
    speed = cell.rig.target.speed_m_s
    # a pass and its turn take a little longer than this, for the driver slows down
    each_s = (two.path_length_m - one.path_length_m) / speed
    spraying_s = fields["pass_length_m"] / speed
    need_s = onset_s + cell.watch_s * each_s / spraying_s if cell.causes else cell.lasts_s
    return replace(one, passes=ceil((need_s + _SPARE_S) / each_s) + 1)


def _events(cell: Cell, onset_s: float, rng: random.Random) -> Iterator[sim.Event]:
    if cell.causes or not cell.again_s:
        for fault in cell.faults:
            yield fault.event(onset_s, sim.LONGEST_RUN_S if cell.causes else cell.lasts_s)
        return
    begin_s, number = onset_s, 0
    while begin_s < cell.lasts_s - cell.again_s / 2:
        yield cell.faults[number % len(cell.faults)].event(begin_s, cell.again_s / 4)
        begin_s += cell.again_s * rng.uniform(0.5, 1.5)
        number += 1


def _outputs(recorded: sim.Recorded, end_s: float) -> Iterator[Output]:
    """What the pipeline makes of the recording until `end_s`."""
    end_ns = round(end_s * 1e9)
    for reading, outputs in drive(Pipeline(recorded.scenario.rig), sim.readings(recorded)):
        if reading.t_ns > end_ns:
            return
        yield from outputs


@dataclass(frozen=True, slots=True, eq=False)
class _BoomOn:
    """How long, and how far, the boom was on until when: the truth."""

    t_s: Floats
    on_s: Floats
    on_m: Floats

    @classmethod
    def along(cls, t_s: Floats, path_m: Floats, on: NDArray[np.bool_]) -> "_BoomOn":
        """`on`: one value between neighbouring times."""
        return cls(
            t_s,
            np.concatenate([[0.0], np.cumsum(np.diff(t_s) * on)]),
            np.concatenate([[0.0], np.cumsum(np.diff(path_m) * on)]),
        )

    def seconds(self, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.on_s))

    def metres(self, t_s: float) -> float:
        return float(np.interp(t_s, self.t_s, self.on_m))

    def when(self, on_s: float) -> float:
        """When the boom had been on for so long; the run's end if it never was."""
        i = int(np.searchsorted(self.on_s, on_s))
        if i >= len(self.t_s):
            return float(self.t_s[-1])
        return float(self.t_s[i] - (self.on_s[i] - on_s))
