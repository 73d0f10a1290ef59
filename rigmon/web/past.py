"""The map of a run that was under way when the pages' process started, from its run log.

The daemon says how things stand, but not where the rig has been: that is in the log alone. It is read in a
thread, while the pages are served already; what comes meanwhile is put behind it.
"""

import asyncio
import copy
from pathlib import Path
from typing import Final

from rigmon.errors import LogError
from rigmon.live.track import Track
from rigmon.log.header import new_log_path
from rigmon.log.reader import RunLog
from rigmon.model import Sample
from rigmon.rig import Rig
from rigmon.web.show import Show

#: a run that has just begun has no past worth reading
_YOUNG_NS: Final = 5_000_000_000
#: what the core made goes into the log about once a minute: it is looked again until it is there [s]
_AGAIN_S: Final = 20.0
_TRIES: Final = 6
#: from the newest sample in the log to the first that was seen here there may be so much
_GAP_NS: Final = 1_500_000_000


async def recall(show: Show, folder: Path, again_s: float = _AGAIN_S) -> bool:
    """Draw what of the run is in its log. False: nothing is, or it cannot be read, and the map begins now."""
    board = show.board
    run, until_ns = board.state.run, board.state.totals.t_ns
    if run is None or until_ns < _YOUNG_NS:
        return False
    path = new_log_path(folder, run)
    later = board.keep_samples()
    past = _Past(board.rig)
    drawn = False
    try:
        for turn in range(_TRIES):
            if turn:
                await asyncio.sleep(again_s)
            try:
                read = path.exists() and await asyncio.to_thread(past.read_on, path, until_ns)
            except (LogError, OSError):
                read = False
            if board.state.run != run:
                return False
            if read:
                track = copy.deepcopy(past.track)
                for sample in later:
                    track.take(sample)
                track.epoch = board.track.epoch + 1
                board.track = track
                show.changed()
                drawn = True
            if past.t_ns >= until_ns - _GAP_NS:
                break
    finally:
        board.keep_samples(False)
    return drawn


class _Past:
    """The map as far as the log has been read."""

    def __init__(self, rig: Rig) -> None:
        self.track = Track(rig)
        self.t_ns = 0
        self._after = 0  # number of the newest output that was read

    def read_on(self, path: Path, until_ns: int) -> bool:
        """Read what has come since. False: nothing has. Raises LogError."""
        before = self.t_ns
        with RunLog.open(path) as log:
            for number, output in log.numbered_outputs(self._after):
                if isinstance(output, Sample):
                    if output.t_ns > until_ns:
                        break
                    self.track.take(output)
                    self.t_ns = output.t_ns
                self._after = number
        return self.t_ns > before
