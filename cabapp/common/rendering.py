"""Messages rendered at the edge: in the tablet's language, the farm's units, zone and currency."""

import io
import logging
from gettext import GNUTranslations, NullTranslations
from pathlib import Path

from babel.messages.mofile import write_mo
from babel.messages.pofile import PoFileError, read_po

from cabapp.common.farm_format import FarmFormat
from cabapp.common.quantities import Quantity
from cabapp.common.units import Units
from store.errors import Message, Refused

log = logging.getLogger(__name__)
ENGLISH = NullTranslations()
NO_FARM = FarmFormat("UTC", Units("us"))


def load_catalog(path: Path | str | None) -> NullTranslations:
    """Return the language of a translator's .po file; English without one, or where it cannot be read."""
    if path is None:
        return ENGLISH
    compiled = io.BytesIO()
    try:
        with open(path, "rb") as file:
            write_mo(compiled, read_po(file, abort_invalid=True))
        compiled.seek(0)
        return GNUTranslations(compiled)
    except (OSError, PoFileError, ValueError, SyntaxError, LookupError):  # SyntaxError: of its plural forms
        log.warning("the language file %s could not be read", path, exc_info=True)
        return ENGLISH


def render(said: object, catalog: NullTranslations = ENGLISH, farm: FarmFormat = NO_FARM) -> str:
    """Return a message as a person reads it.

    `said`: a string is a sentence or word of the program: it is translated, which names never are.
    `catalog`: what the catalog lacks stays English, and so does a translation whose places are wrong.

    >>> from cabapp.common.quantities import Length
    >>> from store.errors import message
    >>> render(message("Move left {length}.", length=Length(2.0)), farm=FarmFormat("UTC", Units("metric")))
    'Move left 2.0 m.'
    """

    def text(value: object) -> str:
        if isinstance(value, Quantity):
            return value.text(farm)
        if isinstance(value, Message | Refused):
            return render(value, catalog, farm)
        return ", ".join(map(text, value)) if isinstance(value, tuple | list) else str(value)

    if isinstance(said, Refused):
        said = said.message
    if isinstance(said, str):
        return catalog.gettext(said) if said else ""
    if not isinstance(said, Message):
        return text(said)
    if said.plural is None:
        template = catalog.gettext(said.id)
    else:
        template = catalog.ngettext(said.id, said.plural, said.count or 0)
    try:
        return said.filled(template, text)
    except (LookupError, ValueError, AttributeError):
        log.warning("the translation %r does not take %s", template, list(said.values))
        return said.filled(said.id if said.plural is None or said.count == 1 else said.plural, text)
