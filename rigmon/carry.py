"""What one run leaves to the next: the boom's coefficient and its noise, kept in the run folder.

It comes into the next run's log as a reading, so that a replay knows what the core knew.
"""

from pathlib import Path
from threading import Thread
from typing import Final

from rigmon.core.coefficient import boom_key
from rigmon.core.pipeline import Pipeline
from rigmon.errors import LogError
from rigmon.log.carried import read_carried, write_carried
from rigmon.model import Carried
from rigmon.rig import Rig

#: so long the file for the next run may take
_PATIENCE_S: Final = 2.0


class Carry:
    """What one run leaves to the next, in the run folder; without a folder only from run to run here."""

    def __init__(self, folder: Path | None) -> None:
        self._folder = folder
        self._key: str | None = None
        self._carried: Carried | None = None
        self._writing: Thread | None = None
        self._trouble: str | None = None

    def known(self, rig: Rig) -> Carried | None:
        """What earlier runs with this boom left."""
        key = boom_key(rig)
        if key != self._key:
            self._key = key
            self._carried = None if self._folder is None else read_carried(self._folder, key)
        return self._carried

    def ended(self, pipeline: Pipeline, run_id: str) -> None:
        """A run has ended. A card may be slow: the file is written on a thread of its own."""
        folder, key, watch = self._folder, self._key, pipeline.watch
        carried = None if watch is None else watch.to_carry(run_id)
        if carried is None or carried == self._carried or key is None:
            return
        self._carried = carried
        if folder is None:
            return

        def write() -> None:
            try:
                write_carried(folder, key, carried)
            except LogError as error:
                self._trouble = str(error)

        self.finish()
        self._writing = Thread(target=write, name="carried", daemon=True)
        self._writing.start()

    def finish(self) -> str | None:
        """Wait for the file for a while. Returns why it could not be written; None: it could, or is late."""
        if self._writing is not None:
            self._writing.join(_PATIENCE_S)
            self._writing = None
        return self._trouble
