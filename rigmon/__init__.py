"""rigmon: speed hold, application rate and run log for a small spray rig.

Importing this package loads nothing heavy; see DEVELOPERS.md for the layers.
"""

__version__ = "0.1.0"
