"""Messages as this tablet shows them: in its language, and in the units and time zone of its farm.

A language is a translator's .po file, made from the template of ``cabapp.common.extract_messages``.
"""

from gettext import NullTranslations
from pathlib import Path

from cabapp.common.farm_format import FarmFormat
from cabapp.common.rendering import ENGLISH, NO_FARM, load_catalog, render
from store.errors import Message

_catalog: NullTranslations = ENGLISH
_farm: FarmFormat = NO_FARM


def use(path: Path | str | None, farm: FarmFormat = NO_FARM) -> None:
    """Show messages in the language of a .po file and as a farm writes quantities; None: English."""
    global _catalog, _farm
    _catalog = load_catalog(path)
    _farm = farm.in_language(_catalog.info().get("language"))


def capital(words: str) -> str:
    """Return a word of the program in the tablet's language, with a capital."""
    said = translate(words)
    return said[:1].upper() + said[1:]


def translate(said, /, **values) -> str:
    """Return a message, a refusal, a quantity, or the program's own words as this tablet shows them.

    >>> from cabapp.common.quantities import Area
    >>> translate("{area} to finish", area=Area(247000.0))
    '61 ac to finish'
    """
    return render(Message(said, values) if values else said, _catalog, _farm)
