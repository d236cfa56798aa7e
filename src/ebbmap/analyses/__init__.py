"""What the solved cases mean: sensitivity, safe regions, release windows."""
