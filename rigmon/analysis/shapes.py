"""Polygons in the plane: how often the same ground is covered, and how wide and long a strip is.

Thin hulls round shapely, loaded when first used.
"""

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from rigmon.analysis import extras
from rigmon.analysis.frames import Floats

Shapes = NDArray[np.object_]  #: shapely geometries

#: where exact overlay fails, places are rounded to this [m]
_GRID_M: Final = 1e-4


def shapely() -> Any:
    """The library. Raises UsageError that says how to install it."""
    return extras.load("shapely", "analysis", "coverage")


def as_array(shapes: Sequence[Any]) -> Shapes:
    """Shapes as an array of objects, also of none or one."""
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    return array


def areal(shapes: Shapes) -> Shapes:
    """The shapes without lines and points: those have no area."""
    library = shapely()
    kinds = library.get_type_id(shapes)
    mixed = np.flatnonzero(~np.isin(kinds, (3, 6)))
    if len(mixed):
        shapes = shapes.copy()
    for k in mixed:
        parts = [
            part
            for part in library.get_parts(shapes[k], return_index=False)
            if library.get_type_id(part) in (3, 6)
        ]
        shapes[k] = library.union_all(parts) if parts else library.Polygon()
    return shapes


def union(shapes: Shapes) -> Any:
    """The union of many, one at a time where their overlay fails."""
    library = shapely()
    try:
        return areal(as_array([library.union_all(shapes)]))[0]
    except library.GEOSException:
        return areal(as_array([library.union_all(shapes, grid_size=_GRID_M)]))[0]


def overlay(operation: str, first: Shapes, second: Shapes) -> Shapes:
    """'union', 'intersection' or 'difference' of pairs, areas only."""
    library = shapely()
    apply = getattr(library, operation)
    try:
        return areal(np.asarray(apply(first, second), dtype=object))
    except library.GEOSException:
        return areal(np.asarray(apply(first, second, grid_size=_GRID_M), dtype=object))


def layers(shapes: Shapes) -> tuple[Any, Any, Any]:
    """The ground that lies in at least one, in at least two, and in three or more of the shapes.

    Two by two, then the pairs two by two, and so on: with a1, a2, a3 the ground in at least one, two and
    three of the one half and b1, b2, b3 of the other, the whole has a1 | b1, a2 | b2 | a1 & b1 and
    a3 | b3 | a1 & b2 | a2 & b1. Neighbours in the order given should be neighbours on the ground.
    """
    library = shapely()
    empty = library.Polygon()
    one = shapes if len(shapes) else as_array([empty])
    two, three = as_array([empty] * len(one)), as_array([empty] * len(one))
    while len(one) > 1:
        rest = [layer[-1:] if len(one) % 2 else layer[:0] for layer in (one, two, three)]
        last = len(one) - len(one) % 2
        a1, a2, a3 = (layer[0:last:2] for layer in (one, two, three))
        b1, b2, b3 = (layer[1:last:2] for layer in (one, two, three))
        both = overlay("intersection", a1, b1)
        more = overlay("union", overlay("intersection", a1, b2), overlay("intersection", a2, b1))
        three = np.concatenate((overlay("union", overlay("union", a3, b3), more), rest[2]))
        two = np.concatenate((overlay("union", overlay("union", a2, b2), both), rest[1]))
        one = np.concatenate((overlay("union", a1, b1), rest[0]))
    return one[0], two[0], three[0]


def parts(shape: Any) -> Shapes:
    """The polygons that a shape consists of."""
    return np.asarray(shapely().get_parts(shape), dtype=object)


def length_and_width_m(shapes: Shapes) -> tuple[Floats, Floats]:
    """Length and mean width [m] of strips: those of the rectangle of the same area and outline.

    Outline P = 2 (l + w) and area A = l w give l = (P + sqrt(P^2 - 16 A)) / 4; of shapes rounder than a
    square, which no rectangle matches, the square's side is both.
    """
    library = shapely()
    area, outline = library.area(shapes), library.length(shapes)
    length = (outline + np.sqrt(np.maximum(outline**2 - 16 * area, 0))) / 4
    length = np.where(outline**2 > 16 * area, length, np.sqrt(area))
    with np.errstate(invalid="ignore", divide="ignore"):
        width = np.where(length > 0, area / length, 0.0)
    return length, width


def wide_part(shapes: Shapes, width_m: float) -> Shapes:
    """Where a disc of this diameter fits in: the opening of mathematical morphology (Serra, 1982)."""
    library = shapely()
    shrunk = library.buffer(shapes, -width_m / 2)
    return overlay("intersection", np.asarray(library.buffer(shrunk, width_m / 2), dtype=object), shapes)
