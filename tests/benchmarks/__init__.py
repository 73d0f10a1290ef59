"""Speed, memory, disk and accuracy, on purpose: `python -m tests.benchmarks`, from the top of the clone.

Each module measures one thing and says in its docstring what it measures, and against which floor. A floor
is measured in the same run, its rounds taking turns with the subject's. Never part of the test suite.
"""
