"""The questions of a protocol committee: for whom a draft is safe, why not, and what would hold."""
