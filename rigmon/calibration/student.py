"""Student's t for the tests on a fitted line: the factor that bounds 95 % of |t|.

JCGM 100:2008, Table G.2, column p = 95 %.
"""

from typing import Final

_TABLE: Final[dict[int, float]] = {
    1: 12.71, 2: 4.30, 3: 3.18, 4: 2.78, 5: 2.57, 6: 2.45, 7: 2.36, 8: 2.31, 9: 2.26, 10: 2.23,
    11: 2.20, 12: 2.18, 13: 2.16, 14: 2.14, 15: 2.13, 16: 2.12, 17: 2.11, 18: 2.10, 19: 2.09, 20: 2.09,
    25: 2.06, 30: 2.04, 35: 2.03, 40: 2.02, 45: 2.01, 50: 2.01, 100: 1.984,
}  # fmt: skip


def t95(dof: int) -> float:
    """The factor for whole degrees of freedom, 1 or more; between rows the row above, which is larger."""
    if dof < 1:
        raise ValueError(f"{dof} degrees of freedom: there must be 1 or more")
    return _TABLE[max(row for row in _TABLE if row <= dof)]
