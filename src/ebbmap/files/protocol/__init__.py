"""The protocol file of a committee: what it may say, how it is checked, and what it asks."""

from ebbmap.files.protocol.load import Group, Protocol, load_protocol, parse_protocol

__all__ = ["Group", "Protocol", "load_protocol", "parse_protocol"]
