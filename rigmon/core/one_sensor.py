"""One sensor alone: that the output of the boom changed, and not whether by nozzles, supply or the sensor."""

from collections.abc import Sequence
from math import sqrt
from typing import Final

from rigmon.core.coefficient import Block
from rigmon.core.evidence import means
from rigmon.core.found import Found
from rigmon.core.monitor import Monitor
from rigmon.core.supply import CONFIRM, NEW_NORMAL
from rigmon.model import Finding

CODE: Final = "output_changed"


class OneSensor:
    """Feed `update` with the ring of blocks. `by_flow`: the meter is what there is, else the transducer."""

    __slots__ = ("_by_flow", "_change", "_found", "_monitor", "_pending")

    def __init__(self, found: Found, change: float, monitor: Monitor, *, by_flow: bool) -> None:
        self._found = found
        self._change = change
        self._monitor = monitor
        self._by_flow = by_flow
        self._pending = 0

    def update(self, ring: Sequence[Block]) -> None:
        """Take the newest block of the ring."""
        block, monitor = ring[-1], self._monitor
        state = monitor.update(block.flow_l_min if self._by_flow else sqrt(block.pressure_kpa))
        if state == 0:
            self._pending = 0
            self._found.drop(CODE)
            return
        self._pending += 1
        if self._pending > NEW_NORMAL:
            self._pending = 0
            self._found.drop(CODE)
            monitor.restart()
        elif self._pending == CONFIRM and monitor.noise is not None:
            recent = list(ring)[-CONFIRM:]
            flow, pressure = means(recent)
            change = (flow if self._by_flow else sqrt(pressure)) / monitor.noise.mean - 1
            self._found.put(CODE, change, self._change)
            self._found.keep(
                Finding(
                    CODE, block.t_ns, recent[0].t_ns, 100 * change, None,
                    100 * change if self._by_flow else None,
                    None if self._by_flow else 100 * ((1 + change) * (1 + change) - 1),
                )
            )  # fmt: skip
