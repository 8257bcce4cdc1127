"""Where things lie unless a person says otherwise; makes nothing."""

import argparse
import os
from pathlib import Path

from store.errors import StoreRefused

RECEIVER = "receiver"
"""The folder beside a logbook in which raw logs lie, and what is known of the receivers."""
SETTINGS = "tablet.json"
"""The file beside a logbook in which the tablet's own settings lie."""


def home() -> Path:
    """Return the folder of this machine's logbook: $ROLLBOOK_HOME, or .rollbook at home."""
    named = os.environ.get("ROLLBOOK_HOME")
    return Path(named) if named else Path.home() / ".rollbook"


def store_path() -> Path:
    """Return the logbook file that is meant when none is named."""
    return home() / "logbook.sqlite"


def store_option(parser: argparse.ArgumentParser) -> None:
    """Give a command the option --store."""
    parser.add_argument(
        "--store",
        metavar="FILE",
        help="the logbook file, or a postgresql:// URL (default: $ROLLBOOK_HOME or ~/.rollbook, then logbook.sqlite)",
    )


def chosen_store(args: argparse.Namespace) -> Path | str:
    """Return the logbook a command is to use, whether or not it is there."""
    if args.store is None:
        return store_path()
    return args.store if is_server(args.store) else Path(args.store)


def is_server(store: Path | str) -> bool:
    """Say whether a logbook is named by the URL of a server."""
    return str(store).startswith("postgresql")


def existing_store(args: argparse.Namespace) -> Path | str:
    """Return the logbook a command is to read.

    Raises StoreRefused if there is none there: a command that reads must not make an empty one.
    """
    path = chosen_store(args)
    if isinstance(path, Path) and not path.exists():
        raise StoreRefused("There is no logbook at {path}. Name one with --store FILE.", path=path)
    return path
