"""The target that was chosen while rigmon runs, from the calibration book; the rig file stays as it is.

The choice is kept in a small file beside the run logs, so that it outlives a restart and a power cut: as
long as the rig file's text is the one that it was chosen on. A rig file that was changed since counts again.
"""

import hashlib
import json
from contextlib import suppress
from pathlib import Path
from typing import Any, Final

from rigmon import config
from rigmon.calibration.apply import applied_text, write_whole
from rigmon.calibration.book import CHOSEN_TARGET, Book, book_path, records_in_use
from rigmon.calibration.record import Record
from rigmon.errors import UsageError
from rigmon.model import Retarget
from rigmon.rig import Retargeted, Rig

_VERSION: Final = 1
#: a record is a few thousand characters
_LONGEST: Final = 200_000


class ChosenTarget:
    """The targets of a rig's book, and the choice among them. See `rigmon.edge.acts.Targets`.

    Methods open the book and close it again, so that any thread may call them.
    """

    def __init__(self, rig_file: Path, rig: Rig, rig_toml: str) -> None:
        """`rig` and `rig_toml` are the rig file's own."""
        self._rig_file = rig_file
        self._rig = rig
        self._rig_toml = rig_toml
        self._book = book_path(rig, rig_file)
        self.path: Final = Path(rig.runs_folder) / CHOSEN_TARGET
        self.name = rig.target.record or ""  #: of the record in use; '': of none

    def choices(self) -> list[dict[str, Any]]:
        """The rig's targets, newest first, each with `in_use`. Raises UsageError for a damaged book."""
        with Book(self._book) as book:
            records = book.history("target", self._rig.name)
        return [
            {
                "name": record.name,
                "taken_on": record.taken_on.isoformat(),
                "nozzle_set": record.nozzle_set,
                "rate_l_ha": record.figures.get("rate_l_ha"),
                "speed_m_s": record.figures.get("speed_m_s"),
                "tolerance_pct": record.given.get("tolerance_pct"),
                "in_use": record.name == self.name,
            }
            for record in reversed(records)
        ]

    def record(self, name: str) -> str:
        """The JSON text of the record of that name; '' for ''. Raises UsageError when there is none."""
        if not name:
            return ""
        with Book(self._book) as book:
            return book.get(name).text()

    def retargeted(self, choice: Retarget) -> Retargeted:
        """The rig file's rig with that target, by the code of `rigmon calibrate apply`.

        Raises UsageError for a record that is no target, of another rig or nozzle set, or unreadable.
        """
        if not choice.record:
            text, record = self._rig_toml, None
        else:
            record = _record(choice)
            if record.kind != "target":
                raise UsageError(
                    f"{record.name} is of kind '{record.kind}', and a target is chosen here; "
                    "'rigmon calibrate apply' copies others into the rig file"
                )
            text = applied_text(self._rig_file, self._rig_toml, self._rig, record)
        rig = config.parse(text, str(self._rig_file))
        others, _ = records_in_use(rig, self._rig_file)
        texts = [other.text() for other in others]
        if record is not None and record.name not in [other.name for other in others]:
            texts.insert(0, record.text())  # the book may have gone since
        return Retargeted(rig, text, tuple(texts))

    # -- over a restart --------------------------------------------------------------------------------

    def remember(self, choice: Retarget) -> str | None:
        """Keep the choice for the next start, in one step; returns why that failed, None: it is kept."""
        self.name = choice.name or self._rig.target.record or ""
        try:
            if not choice.record:
                self.path.unlink(missing_ok=True)
                return None
            self.path.parent.mkdir(parents=True, exist_ok=True)
            data = {
                "rigmon_chosen_target": _VERSION,
                "rig_file_sha256": _digest(self._rig_toml),
                "name": choice.name,
                "record": choice.record,
            }
            write_whole(self.path, json.dumps(data, indent=1).encode())
        except OSError as error:
            return f"{self.path}: cannot be written: {error.strerror}"
        return None

    def remembered(self) -> tuple[Retargeted | None, str | None]:
        """The rig as it was chosen before this start, and a sentence about it for the person.

        (None, None): nothing was chosen. (None, words): what was chosen counts no longer, and why.
        """
        try:
            with self.path.open("rb") as file:
                data = file.read(_LONGEST + 1)
        except FileNotFoundError:
            return None, None
        except OSError as error:
            return None, self._gone(f"cannot be read: {error.strerror}")
        try:
            kept = json.loads(data)
            version, digest = kept["rigmon_chosen_target"], kept["rig_file_sha256"]
            choice = Retarget(kept["name"], kept["record"])
            if version != _VERSION or not (isinstance(choice.name, str) and isinstance(choice.record, str)):
                raise ValueError
        except (ValueError, KeyError, TypeError, RecursionError):
            return None, self._gone("is damaged")
        if digest != _digest(self._rig_toml):
            return None, self._gone(f"'{choice.name}' was chosen before {self._rig_file} was changed")
        try:
            new = self.retargeted(choice)
        except UsageError as error:
            return None, self._gone(str(error))
        self.name = choice.name
        return new, (
            f"the target is '{choice.name}', chosen while rigmon ran, not that of {self._rig_file}; "
            f"choose again, or delete {self.path}, to change it"
        )

    def _gone(self, why: str) -> str:
        """The choice counts no longer: it is taken away, so that this is said once."""
        with suppress(OSError):
            self.path.unlink(missing_ok=True)
        return f"{self.path}: {why}; the target is that of {self._rig_file}"


def _record(choice: Retarget) -> Record:
    try:
        record = Record.from_json(json.loads(choice.record))
        if record.name != choice.name or not all(
            isinstance(part, dict) for part in (record.inputs, record.result)
        ):
            raise ValueError
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        raise UsageError(
            f"{choice.name[:60]!r}: the calibration record cannot be read; choose again"
        ) from error
    return record


def _digest(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()
