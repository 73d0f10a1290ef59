"""Products and their doses, from the command line or a small file."""

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from rigmon.cli.table import read_table, read_text
from rigmon.errors import UsageError

if TYPE_CHECKING:
    from rigmon.calibration.tank import Product

_MAX: Final = re.compile(r"(.+?)[\s,;]+max(?:imum)?\s+(.+)", re.IGNORECASE)
_EXAMPLE: Final = "'Product A = 32 fl oz/ac', 'Product B = 0.5 % max 1 %' or 'Product C = 30 g/ha'"
_FILE: Final = (
    '[[product]], then name = "Product A", dose = "32 fl oz/ac" and, if you like, max = "64 fl oz/ac"'
)
_LONGEST_NAME: Final = 60


def products_from(texts: Sequence[str], file: Path | None) -> "list[Product]":
    """The products of --product and --products together. Raises UsageError, naming option or file."""
    found = [product_from(text, "--product") for text in texts]
    if file is not None:
        found += _from_file(file)
    return found


def product_from(text: str, where: str) -> "Product":
    """'NAME = DOSE', 'NAME = DOSE max DOSE'."""
    name, equals, dose = text.rpartition("=")
    if not equals or not name.strip() or not dose.strip():
        raise UsageError(f"{where} '{text[:60]}' must be a name and its dose, such as {_EXAMPLE}")
    limited = _MAX.fullmatch(dose.strip())
    return _product(
        name,
        limited[1] if limited else dose,
        limited[2] if limited else None,
        f"{where} '{name.strip()[:40]}'",
    )


def _product(name: str, dose: str, most: str | None, where: str) -> "Product":
    from rigmon.calibration.tank import read_product

    name = name.strip()
    if not name.isprintable() or len(name) > _LONGEST_NAME:
        raise UsageError(f"{where}: a name must be one line of at most {_LONGEST_NAME} letters")
    try:
        return read_product(name, dose.strip(), None if most is None else most.strip())
    except UsageError as error:
        raise UsageError(f"{where}: {error}") from error


def _from_file(path: Path) -> "list[Product]":
    if path.suffix.lower() != ".toml":
        rows = read_table(
            path, {"name": "Product A", "dose": "32 fl oz/ac", "max": "64 fl oz/ac"}, ("name", "dose")
        )
        return [_product(row.cells["name"], row.cells["dose"], row.get("max"), row.where) for row in rows]
    try:
        data = tomllib.loads(read_text(path, "a TOML or CSV file"))
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        raise UsageError(f"{path}: not valid TOML: {error}; write {_FILE}") from error
    items = data.get("product")
    if set(data) != {"product"} or not isinstance(items, list) or not items:
        raise UsageError(f"{path}: holds no products; write {_FILE}")
    return [_of_item(item, f"{path}, product {n}") for n, item in enumerate(items, 1)]


def _of_item(item: Any, where: str) -> "Product":
    if not isinstance(item, dict):
        raise UsageError(f"{where}: must be a section; write {_FILE}")
    for key in item:
        if key not in ("name", "dose", "max"):
            raise UsageError(f"{where}: unknown key '{str(key)[:40]}'; known are name, dose, max")
    for key in ("name", "dose", *(["max"] if "max" in item else [])):
        if not isinstance(item.get(key), str):
            raise UsageError(f"{where}: {key} must be text in quotes; write {_FILE}")
    return _product(item["name"], item["dose"], item.get("max"), where)
