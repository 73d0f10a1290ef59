"""Sine, cosine and bearing in + - * / and sqrt only: every machine agrees to the bit."""

from math import sqrt
from typing import Final

RAD: Final = 0.017453292519943295


def sine(x: float) -> float:
    """Taylor series for |x| <= pi/2 [rad]; 12 terms leave less than 1e-16."""
    term = total = x
    for n in range(3, 26, 2):
        term *= -x * x / (n * (n - 1))
        total += term
    return total


def _cosine(x: float) -> float:
    """Taylor series for |x| <= pi/4 [rad]; what is left is less than 1e-17."""
    term = total = 1.0
    for n in range(2, 19, 2):
        term *= -x * x / (n * (n - 1))
        total += term
    return total


def cos_sin_deg(angle_deg: float) -> tuple[float, float]:
    """(cosine, sine) of an angle in degrees, any finite one."""
    angle_deg %= 360  # exact
    quarter = int(angle_deg / 90 + 0.5)
    rest = angle_deg - 90 * quarter  # -45..45
    sin, cos = sine(rest * RAD), _cosine(rest * RAD)
    return ((cos, sin), (-sin, cos), (-cos, -sin), (sin, -cos))[quarter % 4]


def bearing_deg(north: float, east: float) -> float | None:
    """Where a vector points, clockwise from north, 0 <= bearing < 360. None: it has no length."""
    along, across = abs(north), abs(east)
    if along == 0 and across == 0:
        return None
    slope = across / along if across <= along else along / across
    # the half of the half angle is below 0.2, where the series is short
    for _ in range(2):
        slope /= 1 + sqrt(1 + slope * slope)
    power, total = slope, slope
    for n in range(3, 26, 2):
        power *= -slope * slope
        total += power / n
    angle_deg = 4 * total / RAD
    if across > along:
        angle_deg = 90 - angle_deg
    if north < 0:
        angle_deg = 180 - angle_deg
    if east < 0:
        angle_deg = 360 - angle_deg
    return 0.0 if angle_deg >= 360 else angle_deg
