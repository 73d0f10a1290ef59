"""The report of a run: one self-contained page, and the object that every figure on it comes from."""
