"""What one run leaves to the next: a small file in the run folder, so that no old log need be read.

A file that cannot be read, or belongs to another boom, is as good as none; writing never harms the old one.
"""

import json
import os
from pathlib import Path
from typing import Final

from rigmon.errors import LogError
from rigmon.model import Carried

#: in the run folder, beside the logs
FILE: Final = "carried.json"
_MOST_BYTES: Final = 65_536
_VERSION: Final = 1


def read_carried(folder: Path, boom_key: str) -> Carried | None:
    """What the newest run with this key left; None: nothing, or nothing that can be read."""
    try:
        with (folder / FILE).open("rb") as file:
            found = json.loads(file.read(_MOST_BYTES))
        if found["version"] != _VERSION or found["boom"] != boom_key:
            return None
        values = [found[name] for name in Carried._fields]
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return None
    kinds: tuple[tuple[type, ...], ...] = ((str,), *((float, int),) * 4, (int,))
    if any(not isinstance(x, kind) or isinstance(x, bool) for x, kind in zip(values, kinds, strict=True)):
        return None
    return Carried._make(values)


def write_carried(folder: Path, boom_key: str, carried: Carried) -> None:
    """Leave it for the next run. Raises LogError; what was there before is there then."""
    text = json.dumps({"version": _VERSION, "boom": boom_key, **carried._asdict()}, allow_nan=False, indent=1)
    new = folder / (FILE + ".new")
    try:
        with new.open("w", encoding="utf-8") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        new.replace(folder / FILE)
    except OSError as error:
        raise LogError(f"{folder / FILE}: cannot be written: {error.strerror}") from error
