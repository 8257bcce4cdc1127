"""Alembic runs env.py itself; pytest must not import it looking for examples."""

collect_ignore = ["env.py"]
