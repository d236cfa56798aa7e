"""The documentation as one site: pages written by hand, and references made from the registries."""
