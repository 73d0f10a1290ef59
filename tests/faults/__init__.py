"""Faults that a rig in the field meets, each provoked many times over: python -m tests.faults

The suite runs a reduced count of each (`test_faults.py`); the command runs the full counts and prints what
was done, how often, and the worst that came of it.
"""
