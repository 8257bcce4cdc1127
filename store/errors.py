"""The refusals a person is told about, each a whole sentence: what, where, what to do.

    Refused
      StoreRefused     the logbook file cannot be opened or written
      TraceRefused     a trace file cannot be read            (raised by cabapp.position)
      BoundaryRefused  a field boundary cannot be read     (raised by cabapp.position)
      BundleRefused    a bundle cannot be merged or written    (raised by sync)

Everything else that escapes is a bug and is logged as one.
"""


class Refused(Exception):
    """A sentence for a person; nothing was changed and nothing was lost.

    Parameters
    ----------
    sentence : str
        The English sentence, whole, with named places in braces: the message id.
    **values
        What stands in the places.

    Examples
    --------
    >>> str(Refused("There is no field called {name}.", name="Home"))
    'There is no field called Home.'
    """

    def __init__(self, sentence: str, /, **values: object):
        super().__init__(sentence)
        self.sentence, self.values = sentence, values

    def __str__(self) -> str:
        return self.sentence.format(**self.values) if self.values else self.sentence


class StoreRefused(Refused):
    """The logbook file cannot be opened or written."""


class TraceRefused(Refused):
    """A trace file cannot be read."""


class BoundaryRefused(Refused):
    """A field boundary cannot be read, or cannot be a field."""


class BundleRefused(Refused):
    """A bundle cannot be merged or written."""
