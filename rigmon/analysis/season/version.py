"""Which analysis made a summary: a kept one counts only for the code that would make the same today."""

import hashlib
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

import rigmon
from rigmon import __version__

#: the parts of the package that a summary comes from; a test compares them with what is really loaded
SOURCES: Final = (
    "core/",
    "log/",
    "config.py",
    "errors.py",
    "model.py",
    "replay.py",
    "rig.py",
    "units.py",
    "words.py",
    *(
        f"analysis/{name}.py"
        for name in (
            "acts",
            "closure",
            "denoise",
            "diagnoses",
            "frames",
            "ground",
            "hold",
            "passes",
            "path",
            "score",
            "source",
            "utc",
            "weather",
            "whatif",
        )
    ),
    *(f"analysis/season/{name}.py" for name in ("calibrations", "coefficient", "scan", "work")),
)


@cache
def analysis_version() -> str:
    """rigmon's version, and a hash over the source that a summary comes from and its libraries' versions.

    So nobody has to remember to raise a number, and a clone that was updated is told from the one before.
    """
    root = Path(rigmon.__file__).parent
    found = hashlib.sha256()
    for path in sorted(root.rglob("*.py")):
        name = path.relative_to(root).as_posix()
        if name.startswith(SOURCES):
            found.update(f"{name}\0".encode() + hashlib.sha256(path.read_bytes()).digest())
    for library in ("numpy", "pyproj", "pynmea2"):
        try:
            found.update(f"{library} {version(library)}\0".encode())
        except PackageNotFoundError:  # put there by other means than a package manager
            found.update(f"{library} ?\0".encode())
    return f"{__version__}-{found.hexdigest()[:16]}"
