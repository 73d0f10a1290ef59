"""Names and headers of new run logs."""

import os
import secrets
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from rigmon import __version__
from rigmon.log.schema import SUFFIX
from rigmon.model import RunHeader

_BOOT_ID: Final = Path("/proc/sys/kernel/random/boot_id")


#: a board's clock that shows less was never set: it starts at 1970, or at its system's build
_FIRST_YEAR: Final = 2026


def new_run_id(now: datetime | None = None) -> str:
    """A name that no other run has, also on a board that boots with the same wrong time every day.

    The date in it is the board's, for finding a file: the run's own time is the receiver's, in its anchors.
    A clock that cannot be right gives no date. `now`: the board's UTC, left out: as its clock shows it.
    """
    now = now or datetime.now(UTC)
    if now.year < _FIRST_YEAR:
        return f"undated-{secrets.token_hex(6)}"
    return f"{now:%Y%m%d-%H%M%S}-{secrets.token_hex(3)}"


def new_log_path(folder: Path, run_id: str) -> Path:
    """Where the run log of `run_id` goes. Touches nothing; the log writer never overwrites a file."""
    return folder / f"{run_id}{SUFFIX}"


def run_header(run_id: str, source_name: str, rig_toml: str) -> RunHeader:
    """What the run log says of a run made here and now; the log's writer adds what it knows itself."""
    try:
        boot_id: str | None = _BOOT_ID.read_text(encoding="ascii").strip()
    except OSError:
        boot_id = None
    return RunHeader(
        run_id=run_id,
        source=source_name,
        rig_toml=rig_toml,
        software=f"rigmon {__version__}",
        host=os.uname().nodename,
        boot_id=boot_id,
        sqlite="",
        ended_ns=None,
        ended_why=None,
    )
