"""Offline work on runs: the only place for numpy, and never imported by the daemon."""
