"""What bedside commands say first: the verdict, then the few numbers that bear on it."""
