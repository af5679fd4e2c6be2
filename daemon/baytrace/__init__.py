"""Baytrace: a bench daemon that measures, judges and keeps."""

__version__ = "0.4.0"
