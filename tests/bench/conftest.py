"""Benchmarks are run by hand; pytest leaves them alone."""

collect_ignore_glob = ["*.py"]
