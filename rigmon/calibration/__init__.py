"""Before the run: calibration and the job plan.

Each calibration is a pure function of what was measured; it returns a frozen result with its uncertainty
budget and findings that say what to do. Only the book and the session of an interactive calibration touch
files.
"""
