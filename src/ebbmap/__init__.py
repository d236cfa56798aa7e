"""ebbmap."""
