"""Libraries that only parts of the analysis need, loaded when they are."""

from importlib import import_module
from typing import Any

from rigmon.errors import UsageError


def load(module: str, extra: str, purpose: str) -> Any:
    """The module, such as 'shapely', which comes with the package's `extra`, such as 'analysis'.

    Raises UsageError that says what it is needed for and how to install it.
    """
    try:
        return import_module(module)
    except ImportError as error:
        raise UsageError(
            f"{purpose} needs {module.partition('.')[0]}, which is not installed here ({error}); "
            f"install it: pip install 'rigmon[{extra}]'"
        ) from error
