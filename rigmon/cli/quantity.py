"""A click type for quantities typed with their unit, such as '300 ft' or '90 m'."""

from typing import Any

import click

from rigmon import units
from rigmon.cli.common import FloatParam


class Quantity(FloatParam):
    """Reads into the carried unit of its dimension."""

    def __init__(self, dimension: str) -> None:
        self.dimension = dimension
        self.name = dimension

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """A default is already carried and passes through; text needs a unit."""
        if isinstance(value, float):
            return value
        try:
            return units.parse(str(value), self.dimension)
        except units.UnitError as error:
            self.fail(str(error), param, ctx)
