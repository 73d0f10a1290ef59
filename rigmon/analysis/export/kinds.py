"""Which formats there are, and the one way into all of them."""

import os
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from pathlib import Path
from typing import Final, cast

from rigmon.analysis.frames import RunData
from rigmon.analysis.ground import Ground
from rigmon.errors import UsageError


@dataclass(frozen=True, slots=True)
class Format:
    suffixes: tuple[str, ...]
    module: str
    extra: bool  #: needs the libraries of the extra 'export'


FORMATS: Final[dict[str, Format]] = {
    "csv": Format((".csv",), "csv_file", False),
    "geojson": Format((".geojson", ".json"), "geojson", False),
    "gpkg": Format((".gpkg",), "geopackage", True),
    "parquet": Format((".parquet",), "parquet", True),
    "gpx": Format((".gpx",), "gpx", True),
}


@dataclass(frozen=True, slots=True)
class Exported:
    """What a format's writer gets."""

    run: RunData
    ground: Ground
    system: str  #: us | metric: units of tables


def format_of(path: Path, name: str | None) -> str:
    """The format asked for, or that of the file's suffix. Raises UsageError."""
    if name is not None:
        return name
    for known, form in FORMATS.items():
        if path.suffix.lower() in form.suffixes:
            return known
    endings = ", ".join(suffix for form in FORMATS.values() for suffix in form.suffixes)
    raise UsageError(
        f"{path}: its ending names no format that rigmon writes; use one of {endings}, or --format"
    )


def export(run: RunData, path: Path, name: str | None = None, system: str = "metric") -> str:
    """Write a run to `path`; returns the format's name. The file is there whole or not at all, and one that
    was there before is never overwritten.

    Raises UsageError for a path or format that will not do, and for a library that is not installed.
    """
    kind = format_of(path, name)
    form = FORMATS[kind]
    if path.exists():
        raise UsageError(f"{path}: is there already; give another name")
    if not path.parent.is_dir():
        raise UsageError(f"{path.parent}: is not a folder; make it first")
    try:
        module = import_module(f"rigmon.analysis.export.{form.module}")
    except ImportError as error:
        raise UsageError(
            f"{kind}: needs {error.name or 'a library'}, which is not installed: pip install 'rigmon[export]'"
        ) from error
    write = cast(Callable[[Exported, Path], None], module.write)
    try:
        with tempfile.TemporaryDirectory(prefix=".rigmon-", dir=path.parent) as folder:
            part = Path(folder) / f"export{form.suffixes[0]}"
            write(Exported(run, Ground(run), system), part)
            _give_name(part, path)
    except FileExistsError:
        raise UsageError(f"{path}: is there already; give another name") from None
    except OSError as error:
        raise UsageError(f"{path}: cannot be written: {error.strerror or error}") from error
    return kind


def _give_name(part: Path, path: Path) -> None:
    """Never over a file that is there, also where links cannot be had, as on a stick's FAT."""
    try:
        os.link(part, path)
    except FileExistsError:
        raise
    except OSError:
        if path.exists():
            raise FileExistsError from None
        part.rename(path)
