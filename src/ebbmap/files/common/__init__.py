"""What files of several kinds share: how they are read, and the tables that all of them have."""
