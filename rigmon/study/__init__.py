"""How soon, how surely and how rightly the diagnoses find what is wrong: many simulated runs, counted.

A cell is one fault of one size on one rig (or a healthy rig, or bumps that are no fault). Each of its runs
has its own seed, which decides the driver, the noise and when the fault begins; the recording is fed to the
pipeline line by line, as live.

    intervals  how sure a count is
    noise      receivers and meters to choose from
    cells      which faults, and what their right name is
    run        one run, and what came of it
    tally      the runs of a cell, added up
    goals      what the project asks of some cells
    gather     all of it, over processes
    text       the table

The same seed gives the same figures, whatever the number of processes and whichever cells are asked for.
"""

from rigmon.study.cells import Cell, cells
from rigmon.study.gather import study
from rigmon.study.noise import METERS, RECEIVERS, Noise

__all__ = ["METERS", "RECEIVERS", "Cell", "Noise", "cells", "study"]
