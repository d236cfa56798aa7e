"""Pictures of results: Dataset in, Axes out. The only room where matplotlib is imported."""
