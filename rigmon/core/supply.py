"""The supply: what flow and root of the pressure have in common, for nozzles and sensors are told by C.

Flow and root of pressure are taken each against its level; what is less off is common to both.
"""

from collections.abc import Sequence
from math import sqrt
from typing import Final

from rigmon.core.coefficient import Block
from rigmon.core.evidence import means
from rigmon.core.found import Found
from rigmon.core.monitor import Monitor
from rigmon.model import Finding

CODE: Final = "supply_weak"
#: blocks for which it must stand
CONFIRM: Final = 20
#: so long above its level, and it is a new one
_RISEN: Final = 90
#: still there while it is down by so much of what matters, over so many blocks
_STILL: Final = 1.0
_NEWEST: Final = 10
#: a driver may set another pressure: after so long it is how things are now
NEW_NORMAL: Final = 300
_PHI_MOST: Final = 0.95


class Supply:
    """Give it the levels with `begin`, then feed `update`."""

    __slots__ = ("_change", "_flow_level", "_found", "_monitor", "_pending", "_pressure_level", "_risen",
                 "_since_ns")  # fmt: skip

    def __init__(self, found: Found, change: float, arl: float, learn: int) -> None:
        self._found = found
        self._change = change
        # the pressure wanders slowly by itself: learned from more, or a swing would be taken for its level
        self._monitor = Monitor(change, arl, 4 * learn, phi_most=_PHI_MOST)
        self._flow_level = self._pressure_level = 1.0
        self._pending = 0
        self._risen = 0  # blocks for which it has been better than it was
        self._since_ns = 0

    def begin(self, blocks: Sequence[Block]) -> None:
        """What flow and pressure are by now: from these blocks, which are learned from too."""
        self._flow_level, self._pressure_level = means(blocks)
        for block in blocks:
            if not block.follows:
                self._monitor.gap()
            self._monitor.update(self._common(block))

    def _common(self, block: Block) -> float:
        """What both have in common, over its level."""
        flow = block.flow_l_min / self._flow_level
        root = sqrt(block.pressure_kpa / self._pressure_level)
        return flow if flow > root else root

    def gap(self) -> None:
        self._monitor.gap()

    def restart(self) -> None:
        self._monitor.restart()

    def update(self, ring: Sequence[Block]) -> None:
        """Take the newest block of the ring."""
        block = ring[-1]
        state = self._monitor.update(self._common(block))
        present = self._found.present
        if state < 0:
            if self._pending == 0:
                self._since_ns = block.t_ns
            self._pending += 1
        else:
            self._pending = 0
            if CODE in present:
                del present[CODE]
        self._risen = self._risen + 1 if state > 0 else 0
        if self._risen > _RISEN or self._pending > NEW_NORMAL:
            # more pressure is the driver's doing; less, for long and steady, is taken for it in the end
            self._found.drop(CODE)
            self._monitor.restart()
            self._flow_level, self._pressure_level = means(list(ring)[-CONFIRM:])
            self._pending = self._risen = 0
        elif self._pending >= CONFIRM and CODE not in present:
            flow1, pressure1 = means(list(ring)[-_NEWEST:])
            # the level was learned from little; the monitor has learned from more since
            noise = self._monitor.noise
            level = noise.mean if noise else 1.0
            flow_change = flow1 / (self._flow_level * level) - 1
            root_change = sqrt(pressure1 / self._pressure_level) / level - 1
            if flow_change + root_change > -2 * _STILL * self._change:
                return  # it is over, the chart only does not know it yet
            self._found.put(CODE, flow_change, self._change)
            self._found.keep(
                Finding(
                    CODE, block.t_ns, self._since_ns, 100 * flow_change, None, 100 * flow_change,
                    100 * (pressure1 / (self._pressure_level * level * level) - 1),
                )
            )  # fmt: skip
