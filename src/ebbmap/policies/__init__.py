"""Policies: how to start, what to measure, what to change; their rules checked, and simulated."""
