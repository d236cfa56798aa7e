"""The study file: what it may say, how it is checked, and the question that it asks."""

from ebbmap.files.study.load import Study, load_study, parse_study

__all__ = ["Study", "load_study", "parse_study"]
