"""Study and protocol files, read and checked; whole files put in place or none."""
