"""Gas exchange, circulation and load: algebra on top of a solved cycle (NumPy and SciPy only)."""
