"""The refusals a person is told about, each a whole sentence: what, where, what to do.

    Refused
      StoreRefused     the logbook file cannot be opened or written
      TraceRefused     a trace file cannot be read            (raised by cabapp.position)
      BoundaryRefused  a field boundary cannot be read     (raised by cabapp.position)
      BundleRefused    a bundle cannot be merged or written    (raised by sync)

Everything else that escapes is a bug and is logged as one.
"""


class Refused(Exception):
    """A sentence for a person; nothing was changed and nothing was lost."""


class StoreRefused(Refused):
    """The logbook file cannot be opened or written."""


class TraceRefused(Refused):
    """A trace file cannot be read."""


class BoundaryRefused(Refused):
    """A field boundary cannot be read, or cannot be a field."""


class BundleRefused(Refused):
    """A bundle cannot be merged or written."""
