"""Measured curves: read, cut into cycles, and turned into lungs with their uncertainty."""
