"""A committee's report: one self-contained page, the same tables as CSV, the same as datasets."""
