"""The array kernels of the analyses (NumPy and SciPy only)."""
