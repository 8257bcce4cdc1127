"""A language that no English letter is left of: every message a third longer and in Cyrillic letters."""

import re

from babel.messages.catalog import Catalog
from babel.messages.pofile import write_po

from cabapp.common.extract_messages import template

CYRILLIC = "абсвеїзніькгшпорцтєчиужхяэ"  # about as wide as the letters they stand for
KEPT = re.compile(r"(\{\w+(?:!r)?\}|\[/?b\])")


def foreign(text):
    """Return a text in letters that are not English, a third longer (a common allowance for German and
    French), with places and bold marks where they were."""
    parts = KEPT.split(text)
    for k in range(0, len(parts), 2):
        parts[k] = re.sub("[a-z]", lambda m: CYRILLIC[ord(m[0]) - 97], parts[k])
        parts[k] = re.sub("[A-Z]", lambda m: CYRILLIC[ord(m[0]) - 65].upper(), parts[k])
    plain = "".join(parts[::2])
    return ("".join(parts) + " " + "нмеи " * 40)[: len("".join(parts)) + 1 + round(len(plain) / 3)].strip()


def write_language(path, translation=foreign):
    """Write the language's .po file, and return what each English text is in it."""
    said, language = {}, Catalog(locale="uk", charset="utf-8")  # names of days and months in Cyrillic letters too
    for message in template():
        texts = message.id if isinstance(message.id, tuple) else (message.id,)
        if message.id:
            said |= {text: translation(text) for text in texts}
            forms = [said[texts[0]], *[said[texts[-1]]] * (language.num_plurals - 1)]
            language.add(message.id, tuple(forms) if len(texts) > 1 else forms[0])
    with open(path, "wb") as file:
        write_po(file, language)
    return said
