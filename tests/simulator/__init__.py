"""Seasons of an invented farm, each made from one seed: real stores and sessions, a stubbed world, checked all the time."""
