"""`rollbook`: the commands, one module each in a folder of cabapp/commands; alone it opens the cab."""

import argparse
import importlib
import os
import sys

from cabapp import __version__

COMMANDS = {
    "cab": "tablet", "demo": "tablet", "measure": "output", "log": "output", "export": "copies", "merge": "copies",
    "exchange": "copies", "enrol": "copies", "office": "output", "backup": "copies", "check": "copies",
    "fields": "records", "parcels": "records", "edit": "records", "correct": "records", "receiver": "tablet",
    "bring": "records", "kiosk": "tablet",
}  # fmt: skip
"""Name of each command -> folder of its module in cabapp/commands."""


class _Help(argparse.HelpFormatter):
    """Examples keep their lines: one that is folded cannot be copied."""

    def _fill_text(self, text, width, indent):
        return text if text.startswith("example: ") else super()._fill_text(text, width, indent)


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Return the command-line parser, with only one command loaded when its name is known."""
    parser = argparse.ArgumentParser(
        prog="rollbook",
        description="Logs field operations as they happen and counts passes over the ground.",
        epilog="With no command, the cab opens. 'rollbook COMMAND --help' shows an example.",
    )
    parser.add_argument("--version", action="version", version=f"%(prog)s {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name in [only] if only else COMMANDS:
        module = importlib.import_module(f"cabapp.commands.{COMMANDS[name]}.{name}")
        sub = commands.add_parser(
            name,
            help=module.__doc__,
            description=module.__doc__,
            epilog=f"example: {module.EXAMPLE}",
            formatter_class=_Help,
        )
        module.arguments(sub)
        sub.set_defaults(run=module.run)
    return parser


def main(argv: list[str] | None = None) -> int:
    """Run one command; 0 done, 1 it could not be done (a sentence on stderr), 2 wrong usage."""
    words = list(sys.argv[1:] if argv is None else argv)
    if not words or (words[0].startswith("-") and words[0] not in ("-h", "--help", "--version")):
        words.insert(0, "cab")
    try:
        done = _run(words)
        sys.stdout.flush()
        return done
    except BrokenPipeError:
        # who read what is printed has read enough; nothing more can be said there, also not when Python ends
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        print("rollbook: stopped. What was written so far is kept.", file=sys.stderr)
        return 1


def _run(words: list[str]) -> int:
    from store.errors import Refused  # loads for half a second: stopped meanwhile, it is in words too

    try:
        parser = build_parser(words[0] if words[0] in COMMANDS else None)
        args = parser.parse_args(words)
        return args.run(args)
    except Refused as refusal:
        print(f"rollbook: {refusal}", file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
