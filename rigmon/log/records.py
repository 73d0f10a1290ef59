"""The calibration records that a run used, carried in its log as notes before the first sensor reading."""

import json
from typing import TYPE_CHECKING, Any, Final

from rigmon.model import Note, Source

if TYPE_CHECKING:  # the daemon writes logs and reads none
    from rigmon.log.reader import RunLog

#: the core knows these notes by it too (rigmon.core.acts.RECORD_NOTE): they are no person's words
_PREFIX: Final = "calibration record "


def record_note(record_json: str) -> Note:
    """The note that carries a record, given as its JSON text."""
    return Note(_PREFIX + record_json)


def calibration_records(log: "RunLog") -> list[dict[str, Any]]:
    """The records that the run used, as the JSON objects that they were; [] when it named none.

    One that cannot be read is left out, and `log.notes` says so. Raises LogError for a damaged log.
    """
    found = []
    for _, _, source, payload in log.readings():
        if source is not Source.PERSON or not isinstance(payload, Note):
            break
        if not payload.text.startswith(_PREFIX):
            continue
        try:
            record = json.loads(payload.text.removeprefix(_PREFIX))
        except (ValueError, RecursionError):
            record = None
        if isinstance(record, dict):
            found.append(record)
        else:
            log.notes.append("a calibration record in this log cannot be read")
    return found
