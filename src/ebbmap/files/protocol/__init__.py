"""The protocol file of a committee: what it may say, how it is checked, and what it asks."""

from ebbmap.files.protocol.load import load_protocol, parse_protocol

__all__ = ["load_protocol", "parse_protocol"]
