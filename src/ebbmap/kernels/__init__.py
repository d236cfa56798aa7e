"""The arithmetic of the analyses on plain arrays: NumPy and SciPy only."""
