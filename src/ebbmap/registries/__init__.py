"""What the package knows by name: parameters, outcomes, signals, limits, populations."""
