"""What hand tools are good for: standard uncertainties (k = 1) that stand in where nobody states others."""

from typing import Final

from rigmon.calibration.budget import rectangular

#: one reading of a cylinder: within half a step of a scale of 10 mL (1/3 fl oz) steps [L]
CYLINDER_U_L: Final = rectangular(0.005)
#: the scale of a vessel itself: +-1 % for measuring cylinders (UK National Sprayer Testing Scheme notes) [%]
CYLINDER_SCALE_U_PCT: Final = rectangular(1.0)
#: a time taken by hand, start and stop together; common practice [s]
STOPWATCH_U_S: Final = 0.2
#: a length laid out with a tape, its marks within +-0.1 m; judgement [m]
TAPE_U_M: Final = rectangular(0.1)


def reading_u_l(step_l: float) -> float:
    """Of a cylinder whose scale has steps of `step_l` [L]: read to the nearest one."""
    return rectangular(step_l / 2)
