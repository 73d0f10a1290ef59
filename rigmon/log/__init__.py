"""The run log: one SQLite file per run, raw readings first."""
