"""Results as tables."""
