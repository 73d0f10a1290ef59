"""Copy a calibration record into a rig file: only the keys it sets change; comments and layout stay.

The file is replaced in one step (written beside, synced, renamed), so that it is the old one or the new one
whatever happens, and what it was before stays beside it as <file>.bak; an older .bak is kept as .bak1, .bak2
and so on. The old values of a calibration stay in the book anyway.
"""

import os
import re
import tomllib
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rigmon import config, units
from rigmon.calibration.record import Record
from rigmon.calibration.result import System
from rigmon.calibration.settings import Setting, settings_of
from rigmon.errors import ConfigError, UsageError
from rigmon.rig import Rig

if TYPE_CHECKING:
    from tomlkit import TOMLDocument

_BOM: Final = b"\xef\xbb\xbf"


def apply_record(rig_file: Path, record: Record) -> list[str]:
    """Copy a record into the rig file. Returns what was changed, in words; [] when it says so already.

    Raises UsageError, and changes nothing, for a rig file that cannot be used or written, a record that does
    not belong to it (see `settings_of`), and values that the rig file must not have together.
    """
    rig, text = config.load(rig_file, calibrated=False)
    system: System = "us" if rig.units == "us" else "metric"
    new_text, changed = _applied(rig_file, text, rig, record, system)
    if changed:
        _replace(rig_file, text, new_text)
    old = tomllib.loads(text)
    return [_words(setting, old, system) for setting in changed]


def applied_text(rig_file: Path, text: str, rig: Rig, record: Record) -> str:
    """A rig file's text with a record copied into it, the file itself left alone. Raises as `apply_record`.

    `rig` is what the text says; `rig_file` is for messages.
    """
    return _applied(rig_file, text, rig, record, "us" if rig.units == "us" else "metric")[0]


def _applied(
    rig_file: Path, text: str, rig: Rig, record: Record, system: System
) -> tuple[str, list[Setting]]:
    """The text with the record's settings, and those that it did not have; a text that says so already."""
    settings = settings_of(record, rig)
    old = tomllib.loads(text)
    changed = [
        setting
        for setting in settings
        if old.get(setting.section, {}).get(setting.key) != setting.toml(system)
    ]
    if not changed:
        return text, []
    new_text = _edited(rig_file, text, changed, system)
    expected = {section: dict(keys) if isinstance(keys, dict) else keys for section, keys in old.items()}
    for setting in changed:
        expected.setdefault(setting.section, {})[setting.key] = setting.toml(system)
    try:
        config.parse(new_text, str(rig_file))
    except ConfigError as error:
        raise UsageError(
            f"with {record.name} applied the rig file would be wrong, so it is as it was: {error}"
        ) from error
    if tomllib.loads(new_text) != expected:
        by_hand = "; ".join(_line(setting, system) for setting in settings)
        raise UsageError(
            f"{rig_file}: is laid out in a way that cannot be changed safely, so it is as it was; write it "
            f"with plain sections, or enter by hand: {by_hand}"
        )
    return new_text, changed


def _edited(rig_file: Path, text: str, settings: list[Setting], system: System) -> str:
    import tomlkit
    from tomlkit.exceptions import TOMLKitError

    try:
        document = tomlkit.parse(text)
        for setting in settings:
            _put(document, setting, system)
        edited = tomlkit.dumps(document)
    except (TOMLKitError, ValueError, TypeError, AttributeError) as error:
        raise UsageError(f"{rig_file}: cannot be changed: {error}; it is as it was") from error
    lines = text.count("\n")
    if lines and text.count("\r\n") == lines:  # what was added ends its lines in the other way
        edited = re.sub(r"(?<!\r)\n", "\r\n", edited)
    return edited


def _put(document: "TOMLDocument", setting: Setting, system: System) -> None:
    """Set one key. A new one goes below the last of its section, before the blank line that ends it."""
    import tomlkit
    from tomlkit.items import Table, Whitespace

    value = setting.toml(system)
    section: Any = document.get(setting.section)
    if section is None:
        section = tomlkit.table()
        if document.body:
            section.trivia.indent = "\n"  # a blank line above
        section.append(setting.key, value)
        document.append(setting.section, section)
        return
    if setting.key in section or not isinstance(section, Table):
        section[setting.key] = value
        return
    body = section.value.body
    last = max((place for place, (key, _) in enumerate(body) if key is not None), default=-1)
    end = next(
        (
            place
            for place in range(last + 1, len(body))
            if isinstance(body[place][1], Whitespace) and "\n" in body[place][1].as_string()
        ),
        len(body),
    )
    tail = body[end:]
    del body[end:]
    section.append(setting.key, value)
    body.extend(tail)


def _line(setting: Setting, system: System) -> str:
    value = setting.toml(system)
    return f"{setting.section}.{setting.key} = {_toml(value)}"


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    return f"{value:g}" if isinstance(value, float) else str(value)


def _words(setting: Setting, old: dict[str, Any], system: System) -> str:
    """'calibration.flow: 2.4 gal/min -> 2.431 gal/min (+1.3 %)'."""
    where, new = f"{setting.section}.{setting.key}", setting.text(system)
    before = old.get(setting.section, {}).get(setting.key)
    if before is None:
        default = config.SCHEMA[setting.section][setting.key].default
        was = "not set" if default is None else f"not set, so {default}"
        return f"{where}: {was} -> {new}"
    change = ""
    if setting.dimension and isinstance(setting.value, float):
        carried = units.parse(before, setting.dimension)
        change = f" ({100 * (setting.value / carried - 1):+.1f} %)" if carried else ""
    elif isinstance(setting.value, float) and before and setting.key == "pulses_per_l":
        change = f" ({100 * (setting.value / before - 1):+.1f} %)"
    return f"{where}: {before} -> {new}{change}"


# -- the file ----------------------------------------------------------------------------------------------


def _replace(path: Path, old_text: str, new_text: str) -> None:
    real = path.resolve()  # a link stays a link
    try:
        old = real.read_bytes()
        if old.decode("utf-8-sig", "replace") != old_text:
            raise UsageError(f"{path}: was changed by another program just now; it is left alone; try again")
        _keep(real, old)
        write_whole(real, (_BOM if old.startswith(_BOM) else b"") + new_text.encode(), like=real)
    except OSError as error:
        raise UsageError(f"{path}: cannot be changed: {error.strerror}; it is as it was") from error


def _keep(path: Path, old: bytes) -> None:
    """The old file beside the new one, without losing what was kept before."""
    backup = path.with_name(path.name + ".bak")
    if os.path.lexists(backup):
        if backup.is_file() and backup.read_bytes() == old:
            return
        number = 1
        while os.path.lexists(older := path.with_name(f"{path.name}.bak{number}")):
            number += 1
        os.rename(backup, older)
    write_whole(backup, old, like=path)


def write_whole(path: Path, data: bytes, like: Path | None = None) -> None:
    """Make `path` hold `data`: the old file or the new one, whenever the power goes.

    With the mode and owner of `like`; without it everybody may read it. Raises OSError.
    """
    import tempfile

    descriptor, name = tempfile.mkstemp(prefix=f".{path.name}.", suffix=".new", dir=path.parent)
    try:
        with os.fdopen(descriptor, "wb") as file:
            status = None if like is None else like.stat()
            os.fchmod(descriptor, 0o644 if status is None else status.st_mode & 0o7777)
            if status is not None:
                with suppress(OSError):  # only root may give files away
                    os.fchown(descriptor, status.st_uid, status.st_gid)
            file.write(data)
            file.flush()
            os.fsync(descriptor)
        os.replace(name, path)
    except BaseException:
        with suppress(OSError):
            os.unlink(name)
        raise
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        with suppress(OSError):  # some file systems cannot, and need not
            os.fsync(folder)
    finally:
        os.close(folder)
