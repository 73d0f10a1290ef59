"""Air in the meter makes its reading jump from sample to sample, and not the pressure's.

The roughness (mean square of the steps between samples) of both is learned first; the meter is unsteady while
its own is several times that in window after window, and the pressure's is not.
"""

from collections.abc import Sequence
from typing import Final

from rigmon.core.coefficient import Block
from rigmon.core.found import Found
from rigmon.model import Finding

CODE: Final = "flowmeter_unsteady"
#: unsteady at so many times its roughness, in so many windows of so many blocks
_ROUGH: Final = 4.0
_ROUGH_OVER: Final = 2.0
_WINDOW: Final = 5
_WINDOWS: Final = 3
_WINDOWS_NS: Final = 15_000_000_000
#: a step of the flow makes so many blocks rough at most
_BY_STEP: Final = 2
#: so many times its roughness without those
_REST: Final = 2.0
_REST_DOUBTFUL: Final = 1.5
#: roughness below this is that of the meter's resolution
_LEAST: Final = 1e-5


class Steadiness:
    """Feed `update` with the blocks."""

    __slots__ = ("_base", "_calm", "_found", "_high", "_learn", "_n", "_sums")

    def __init__(self, found: Found, learn: int) -> None:
        self._found = found
        self._learn = learn
        self._base: tuple[float, float] | None = None
        self._n = self._high = self._calm = 0
        self._sums = [0.0, 0.0]

    @property
    def unsteady(self) -> bool:
        """By its own windows, whatever C does."""
        return self._high >= _WINDOWS

    @property
    def flow_weight(self) -> float:
        """The weight of the flow beside the root of the pressure, by their roughness; 0.5 while unknown."""
        if self._base is None:
            return 0.5
        flow, root = self._base[0], self._base[1] / 4
        return root / (flow + root)

    def update(self, block: Block, *, held: bool) -> None:
        """`held`: a change of C was put down to something, maybe to this; that drops it."""
        sums = self._sums
        sums[0] += block.flow_roughness
        sums[1] += block.pressure_roughness
        self._n += 1
        base = self._base
        if base is None:
            if self._n >= self._learn:
                n = self._n
                self._base = (max(sums[0] / n, _LEAST), max(sums[1] / n, _LEAST))
                self._n = 0
                sums[0] = sums[1] = 0.0
            return
        if self._n < _WINDOW:
            return
        flow = sums[0] / (_WINDOW * base[0])
        pressure = sums[1] / (_WINDOW * base[1])
        self._n = 0
        sums[0] = sums[1] = 0.0
        present = self._found.present
        if flow > _ROUGH and pressure < _ROUGH_OVER:
            self._high += 1
            self._calm = 0
            if self._high >= _WINDOWS and CODE not in present:
                present[CODE] = (None, None)
                self._found.keep(Finding(CODE, block.t_ns, block.t_ns - _WINDOWS_NS, None, None))
        elif flow < _ROUGH_OVER:
            self._calm += 1
            if CODE not in present:
                self._high = 0
            elif self._calm >= _WINDOWS:
                self._high = 0
                if not held:
                    del present[CODE]

    def jumps(self, blocks: Sequence[Block]) -> bool | None:
        """The meter is unsteady in these blocks, and the pressure is not; None: too few to tell.

        A step of the flow makes one block rough, or two, and no more.
        """
        base = self._base
        if base is None:
            return False
        rough = 0
        flow = pressure = most = next_most = 0.0
        for block in blocks:
            roughness = block.flow_roughness
            rough += roughness > _ROUGH * base[0]
            flow += roughness
            pressure += block.pressure_roughness
            if roughness > most:
                most, next_most = roughness, most
            elif roughness > next_most:
                next_most = roughness
        n = len(blocks)
        if pressure > _ROUGH_OVER * n * base[1]:
            return False
        if n <= _BY_STEP + 2:
            return False if rough < _BY_STEP else (True if rough > _BY_STEP else None)
        if 2 * rough > n:
            return True
        # air comes in bursts: some blocks may be calm, but without those of a step the rest is not
        rest = (flow - most - next_most) / ((n - _BY_STEP) * base[0])
        return True if rest > _REST else (None if rest > _REST_DOUBTFUL else False)
