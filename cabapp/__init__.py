"""Rollbook: the program of the cab and the office."""

__version__ = "0.2.0"
