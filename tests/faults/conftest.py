"""The faults' modules are imported as `tests.faults`, as `python -m tests.faults` does."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))
