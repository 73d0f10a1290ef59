"""The passes so far for a map: samples thinned into straight pieces of one colour each.

A piece ends when its colour changes, the track bends away from it, or it is long. Pieces shorter than the
shortest length are lengthened instead, and that length is doubled whenever there are too many pieces: a map
of any length stays bounded, and only loses detail that no screen can show.
"""

from array import array
from math import asin, atan2, cos, hypot, pi, radians
from typing import Any, Final

from rigmon.model import Sample
from rigmon.rig import Rig

#: what a piece is drawn as; the numbers are in the pages' messages
GAP: Final = 0  #: nothing is drawn to this point: the position was unknown in between
OFF: Final = 1  #: travelled with the boom off
UNKNOWN: Final = 2  #: boom on, or unknown, and the dose unknown
FAR_LOW: Final = 3  #: dose low by more than twice the tolerance
LOW: Final = 4
IN: Final = 5  #: inside the tolerance
HIGH: Final = 6
FAR_HIGH: Final = 7

#: more pieces than this are thinned
MOST: Final = 40_000
_SHORTEST_M: Final = 2.0
_LONGEST_M: Final = 20.0
#: a piece's end may be so far off the piece's line before it bends
_BEND_M: Final = 0.3
#: positions further apart than this from one sample to the next are a jump, not a drive
_JUMP_M: Final = 50.0
#: metres a degree of latitude on the mean sphere (IUGG radius): a map needs no better
_PER_DEG: Final = 6_371_000.0 * pi / 180


class Track:
    """Points in decimetres east and north of `origin`, each with the code of the piece that leads to it.

    `epoch` changes when points that were handed out are no longer true: whoever drew them begins anew.
    """

    def __init__(self, rig: Rig) -> None:
        self.epoch = 0
        self.use(rig)
        self.clear()

    def use(self, rig: Rig) -> None:
        """Colour by this rig's target from now on."""
        self._target_l_ha = rig.target.rate_l_ha
        self._tolerance = rig.target.tolerance_pct / 100

    def clear(self) -> None:
        """A new run."""
        self.epoch += 1
        self.origin: tuple[float, float] | None = None
        self._east_scale = 1.0
        self._points = array("i")  # x, y, code, x, y, code ...
        self._shortest_m = _SHORTEST_M
        self._longest_m = _LONGEST_M
        self._at: tuple[float, float] | None = None  # where the newest sample was
        self._start: tuple[float, float] | None = None  # where the open piece began
        self._heading: float | None = None  # of the open piece's first point that is far enough off
        self._cone = (-pi, pi)  # headings, from that one, whose line passes all its points near enough
        self._code = GAP
        self._volume_l = self._area_m2 = 0.0
        self._unknown = False

    def __len__(self) -> int:
        """Points so far, the open piece's not among them."""
        return len(self._points) // 3

    def take(self, sample: Sample) -> None:
        """Add one sample."""
        lat, lon = sample.lat_deg, sample.lon_deg
        if lat is None or lon is None:
            self._close()
            self._at = self._start = None
            return
        here = self._plane(lat, lon)
        before, self._at = self._at, here
        if before is None or self._start is None or hypot(here[0] - before[0], here[1] - before[1]) > _JUMP_M:
            if before is not None:
                self._end_at(before)
            self._add(here, GAP)
            self._begin(here)
            return
        off = sample.boom_on == 0
        bends = self._bends(here)
        length = hypot(before[0] - self._start[0], before[1] - self._start[1])
        was_off = self._code == OFF
        if self._code != GAP and (
            off != was_off or (length >= self._shortest_m and (bends or self._ends(sample, here)))
        ):
            self._end_at(before)
            self._begin(before)
            self._bends(here)
        if off:
            self._code = OFF
            return
        if sample.area_m2 is None or sample.volume_l is None:
            self._unknown = True
        else:
            self._area_m2 += sample.area_m2
            self._volume_l += sample.volume_l
        self._code = UNKNOWN if self._unknown else self._colour(self._volume_l, self._area_m2)

    def since(self, epoch: int, n: int, most: int = 4000) -> dict[str, Any]:
        """Points from the n-th on, at most `most`, for one who has `n` of `epoch`; else from the start.

        {"epoch", "from", "n": points there are now, "origin": [lat, lon] | None, "points": [x_dm, y_dm,
        code, ...], "open": [x_dm, y_dm, code] of the piece that still grows | None}.
        """
        first = n if epoch == self.epoch and 0 <= n <= len(self) else 0
        last = min(len(self), first + most)
        grows = None
        if self._at is not None and last == len(self):
            grows = [round(10 * self._at[0]), round(10 * self._at[1]), self._code]
        return {
            "epoch": self.epoch,
            "from": first,
            "n": len(self),
            "origin": self.origin,
            "points": self._points[3 * first : 3 * last].tolist(),
            "open": grows,
        }

    # -- pieces --------------------------------------------------------------------------------------

    def _plane(self, lat: float, lon: float) -> tuple[float, float]:
        """Metres east and north of the first position."""
        if self.origin is None:
            self.origin = lat, lon
            self._east_scale = _PER_DEG * max(0.01, cos(radians(lat)))
        east = (lon - self.origin[1] + 540) % 360 - 180  # the short way round, across the 180th meridian
        # far away from the first position a map of it has no use, and an integer no room
        return (
            max(-1e7, min(1e7, east * self._east_scale)),
            (lat - self.origin[0]) * _PER_DEG,
        )

    def _colour(self, volume_l: float | None, area_m2: float | None) -> int:
        """The code of so much on so much ground; None: unknown."""
        if volume_l is None or not area_m2:
            return UNKNOWN
        off = 1e4 * volume_l / area_m2 / self._target_l_ha - 1
        if abs(off) <= self._tolerance:
            return IN
        if off < 0:
            return LOW if off >= -2 * self._tolerance else FAR_LOW
        return HIGH if off <= 2 * self._tolerance else FAR_HIGH

    def _ends(self, sample: Sample, here: tuple[float, float]) -> bool:
        """Whether a piece of at least the shortest length ends before `here`, other than by a bend."""
        assert self._start is not None
        if hypot(here[0] - self._start[0], here[1] - self._start[1]) > self._longest_m:
            return True
        if self._code == OFF or sample.area_m2 == 0:  # nothing is treated standing
            return False
        return self._colour(sample.volume_l, sample.area_m2) != self._code

    def _bends(self, here: tuple[float, float]) -> bool:
        """Whether no line from the piece's start to `here` passes near enough to all its points."""
        assert self._start is not None
        x, y = here[0] - self._start[0], here[1] - self._start[1]
        length = hypot(x, y)
        if length <= _BEND_M:
            return False
        heading = atan2(y, x)
        if self._heading is None:
            self._heading = heading
        turned = (heading - self._heading + 3 * pi) % (2 * pi) - pi
        low, high = self._cone
        wide = asin(_BEND_M / length)
        self._cone = max(low, turned - wide), min(high, turned + wide)
        return not low <= turned <= high

    def _begin(self, at: tuple[float, float]) -> None:
        self._start, self._heading, self._cone, self._code = at, None, (-pi, pi), GAP
        self._volume_l = self._area_m2 = 0.0
        self._unknown = False

    def _end_at(self, at: tuple[float, float]) -> None:
        if self._code != GAP and at != self._start:
            self._add(at, self._code)

    def _close(self) -> None:
        if self._at is not None:
            self._end_at(self._at)

    def _add(self, at: tuple[float, float], code: int) -> None:
        self._points.extend((round(10 * at[0]), round(10 * at[1]), code))
        if len(self) > MOST:
            self._thin()

    def _thin(self) -> None:
        """Join neighbours of one colour two by two; where that does not halve them, whatever their colour."""
        self.epoch += 1
        self._shortest_m *= 2
        self._longest_m *= 2
        old, kept = self._points, array("i")
        last = len(old) - 3
        pending = False
        for at in range(0, len(old), 3):
            code = old[at + 2]
            follows = old[at + 5] if at < last else GAP
            if code != GAP and follows == code and not pending:
                pending = True  # left out: the next piece reaches over it
                continue
            pending = False
            kept.extend(old[at : at + 3])
        if len(kept) > len(old) * 3 // 4:
            short = array("i")
            for at in range(0, len(kept), 3):
                if kept[at + 2] == GAP or (at // 3) % 2 == 0 or at == len(kept) - 3:
                    short.extend(kept[at : at + 3])
            kept = short
        if len(kept) > len(old) * 3 // 4:  # nothing but jumps: the older half goes
            kept = kept[len(kept) // 6 * 3 :]
        self._points = kept
