"""ISO 10625 nozzle sizes: colour and rated output, and the output at other pressures.

A size is ten times the nozzle's US gallons a minute at 40 psi, with a leading zero for each place that it is
smaller: "03" is 0.3 gal/min, "015" 0.15, "10" 1.0. The same size is rated in L/min at 3.0 bar, four times the
number of gal/min. By the square-root law the two are 1.3 % apart (0.30 gal/min at 40 psi is 1.184 L/min at
3 bar, not 1.2); either is well inside the few per cent that new nozzles vary.

Where the table's numbers come from is said number by number. "seen": colours and gal/min in University of
Arizona, June 2012; 1.2 L/min of size 03 on an HGCA card. "from memory": the other L/min, and sizes 10 to 20.
"by rule": a size outside the table, by the rule above.
"""

import re
from dataclasses import dataclass
from typing import Final, Literal

from rigmon import units
from rigmon.calibration.result import System
from rigmon.core.rate import flow_at_pressure_l_min
from rigmon.errors import UsageError

Status = Literal["seen", "from memory", "by rule"]

#: the pressures at which sizes are rated: 40 psi and 3 bar
RATED_US_KPA: Final = float(40 * units.PSI_KPA)
RATED_METRIC_KPA: Final = 300.0


@dataclass(frozen=True, slots=True)
class NozzleSize:
    """One size with its colour, and its rated output in both nominal series."""

    size: str  #: such as '03'
    colour: str | None  #: None: not in the table
    gal_min_40_psi: float
    l_min_3_bar: float
    colour_status: Status
    gal_min_status: Status
    l_min_status: Status

    def rated_l_min(self, pressure_kpa: float, system: System) -> float:
        """Rated output [L/min] of one new nozzle in clean water at a pressure, q1/q2 = sqrt(P1/P2).

        `system` says which nominal series: 'us' from gal/min at 40 psi, 'metric' from L/min at 3 bar.
        ValueError for a pressure below zero.
        """
        if system == "us":
            at_40_psi = self.gal_min_40_psi * float(units.US_GALLON_L)
            return flow_at_pressure_l_min(at_40_psi, RATED_US_KPA, pressure_kpa)
        return flow_at_pressure_l_min(self.l_min_3_bar, RATED_METRIC_KPA, pressure_kpa)


#: the sizes of a field boom, smallest first
SIZES: Final[tuple[NozzleSize, ...]] = (
    NozzleSize("01", "orange", 0.10, 0.4, "seen", "seen", "from memory"),
    NozzleSize("015", "green", 0.15, 0.6, "seen", "seen", "from memory"),
    NozzleSize("02", "yellow", 0.20, 0.8, "seen", "seen", "from memory"),
    NozzleSize("025", "purple", 0.25, 1.0, "seen", "seen", "from memory"),
    NozzleSize("03", "blue", 0.30, 1.2, "seen", "seen", "seen"),
    NozzleSize("04", "red", 0.40, 1.6, "seen", "seen", "from memory"),
    NozzleSize("05", "brown", 0.50, 2.0, "seen", "seen", "from memory"),
    NozzleSize("06", "grey", 0.60, 2.4, "seen", "seen", "from memory"),
    NozzleSize("08", "white", 0.80, 3.2, "seen", "seen", "from memory"),
    NozzleSize("10", "light blue", 1.00, 4.0, "from memory", "from memory", "from memory"),
    NozzleSize("15", "light green", 1.50, 6.0, "from memory", "from memory", "from memory"),
    NozzleSize("20", "black", 2.00, 8.0, "from memory", "from memory", "from memory"),
)
_BY_SIZE: Final = {nozzle.size: nozzle for nozzle in SIZES}
_BY_COLOUR: Final = {nozzle.colour: nozzle for nozzle in SIZES}
_OTHER_COLOUR: Final = {"lilac": "purple", "violet": "purple", "gray": "grey"}

_SIZE: Final = re.compile(r"0[0-9]{1,3}|[1-9][0-9]")
#: spray angles of the trade [degrees], by which '11003' is told apart from 11 and 003
_ANGLES: Final = (15, 25, 30, 40, 50, 65, 73, 80, 85, 90, 95, 100, 105, 110, 115, 120, 130, 140)
_APART: Final = re.compile(r"([0-9]{2,3})\s*[-/\s]\s*([0-9]{2,4})")


def by_size(size: str) -> NozzleSize:
    """The size with these digits; one outside the table by the rule, without colour.

    Raises UsageError for anything else; '3' alone may be the size 03 or the beginning of another.
    """
    code = size.strip()
    if code in _BY_SIZE:
        return _BY_SIZE[code]
    if not (_SIZE.fullmatch(code) and int(code)):
        raise UsageError(
            f"nozzle size {units.quoted(size)} must be the digits of an ISO 10625 size, such as "
            f"{', '.join(_BY_SIZE)}"
        )
    gal_min = int(code) / 10 ** (len(code) - 1)
    return NozzleSize(code, None, gal_min, 4 * gal_min, "by rule", "by rule", "by rule")


def by_colour(colour: str) -> NozzleSize:
    """The size of this colour. Raises UsageError for one that no size in the table has."""
    name = " ".join(colour.lower().split())
    name = _OTHER_COLOUR.get(name, name)
    if name not in _BY_COLOUR:
        known = ", ".join(f"{nozzle.colour} ({nozzle.size})" for nozzle in SIZES)
        raise UsageError(f"nozzle colour {units.quoted(colour)} is not known; use one of: {known}")
    return _BY_COLOUR[name]


def read(text: str) -> tuple[NozzleSize, float | None]:
    """(size, spray angle in degrees or None) of what is stamped on a nozzle, or of its colour.

    '03', 'blue', '110-03', '11003' and '80 015' are read. Raises UsageError for anything else.
    """
    words = text.strip()
    apart = _APART.fullmatch(words)
    if apart and 10 <= int(apart.group(1)) <= 180:
        return by_size(apart.group(2)), float(apart.group(1))
    if words.isascii() and words.isdigit() and words not in _BY_SIZE:
        for angle in _ANGLES:
            rest = words.removeprefix(str(angle))
            if rest != words and (rest in _BY_SIZE or (rest.startswith("0") and _SIZE.fullmatch(rest))):
                return by_size(rest), float(angle)
    if words and words[0].isdigit():
        return by_size(words), None
    return by_colour(words), None
