"""What the outcomes depend on and where they are safe: labelled analyses over pure kernels."""
