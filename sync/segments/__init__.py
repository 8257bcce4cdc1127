"""Segments: files written once, each a run of one device's signed pages with their traces; heads say what a copy has."""
