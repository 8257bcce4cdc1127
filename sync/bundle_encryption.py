"""Encryption of a bundle with a passphrase, for a stick that may be lost.

Notes: Layout: ``rollbook-locked-1`` and a line feed, 16 bytes of salt, 12 bytes of nonce, then the bundle under
AES-256-GCM (NIST SP 800-38D) with the first line as additional data. The key is scrypt (RFC 7914) of the passphrase as
UTF-8, N = 2**15, r = 8, p = 1: 32 MB and a tenth of a second a guess. The figures are fixed by the version, so a
hostile file cannot ask for more.

A part (a segment or a head) is locked for itself: ``rollbook-locked-2`` and a line feed, salt, nonce, then the part under
AES-256-GCM with the first line as additional data. Salt: the first 16 bytes of the SHA-256 of that line and the farm's id.
scrypt gives 64 bytes: the key, and the secret of an HMAC-SHA-256 of the part, the first 12 bytes of which are the nonce.

The passphrase is prepared by the profile OpaqueString (RFC 8265), so that two keyboards give the same: any space is an
ordinary one, letters are composed (NFC), control and invisible signs are refused; blanks at its ends, the mark at the
head of a text file and its line end do not belong to it. Bundles of earlier programs are opened by the text as it stood.
"""

import codecs
import hashlib
import hmac
import io
import os
import unicodedata
from contextlib import ExitStack, suppress
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO, Self

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from store.durability.carrier_files import open_regular, read_regular
from store.errors import BundleRefused, Message, message
from store.facts.fact_lines import InvalidFact

HEAD = b"rollbook-locked-1\n"
PART_HEAD = b"rollbook-locked-2\n"
SALT, NONCE = 16, 12
LARGEST_LOCKED = 2**28
SHORTEST = 8
LARGEST_WORDS = 4096
NO_WORDS = message("It is locked with a passphrase. Give the same passphrase here.")
OTHER_WORDS = message("The passphrase is not the one it was locked with, or it is damaged. Give the right one here.")
MARK = "\ufeff"  # that some editors write at the head of a text
UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)


class Passphrase(str):
    """A prepared passphrase; `as_given` is its text as programs before took it."""

    as_given: str

    def __new__(cls, given: str) -> Self:
        made = super().__new__(cls, _prepared(given))
        made.as_given = given
        return made


def _prepared(given: str) -> str:
    """Return a passphrase by the profile OpaqueString of RFC 8265; BundleRefused if it cannot be one."""
    spaced = "".join(" " if unicodedata.category(sign) == "Zs" else sign for sign in given.removeprefix(MARK).strip())
    text = unicodedata.normalize("NFC", spaced)
    if any(unicodedata.category(sign)[0] in "CZ" and sign != " " for sign in text):
        raise BundleRefused("A passphrase has no tabs, line breaks or signs that cannot be seen. Type it again.")
    if len(text) < SHORTEST:
        raise BundleRefused("A passphrase needs eight letters or more. Four ordinary words are good. Nothing was done.")
    return text


def _forms(passphrase: str) -> list[str]:
    """Return the texts by which a bundle may have been locked, the prepared one first."""
    forms = [passphrase]
    with suppress(BundleRefused):
        prepared = passphrase if isinstance(passphrase, Passphrase) else Passphrase(passphrase)
        forms = [prepared, prepared.as_given]
    forms += [unicodedata.normalize("NFD", passphrase), MARK + passphrase]
    return list(dict.fromkeys(forms))


def _cipher(passphrase: str, salt: bytes) -> AESGCM:
    return AESGCM(Scrypt(salt, 32, 2**15, 8, 1).derive(passphrase.encode()))


def encrypt(data: bytes, passphrase: str) -> bytes:
    """Return data encrypted with a passphrase; BundleRefused if the passphrase is too short, or the data too large."""
    passphrase = passphrase if isinstance(passphrase, Passphrase) else Passphrase(passphrase)
    if len(data) > LARGEST_LOCKED:
        raise BundleRefused("The bundle was not written: it is too large to lock.")
    salt, nonce = os.urandom(SALT), os.urandom(NONCE)
    return HEAD + salt + nonce + _cipher(passphrase, salt).encrypt(nonce, data, HEAD)


def decrypted(path: Path, passphrase: str | None) -> BinaryIO:
    """Return the bundle to be read: the open file itself, or its decrypted bytes.

    Raises BundleRefused if it is encrypted and the passphrase is lacking or wrong.
    """
    with ExitStack() as opened:
        file = opened.enter_context(open_regular(path))
        if file.read(len(HEAD)) != HEAD:
            opened.pop_all()
            return file
        if passphrase is None:
            raise BundleRefused("{name} was not merged. {reason}", name=path.name, reason=NO_WORDS)
        salt, nonce = file.read(SALT), file.read(NONCE)
        sealed = file.read(LARGEST_LOCKED + 17)
    for form in _forms(passphrase):
        with suppress(InvalidTag, ValueError):
            return io.BytesIO(_cipher(form, salt).decrypt(nonce, sealed, HEAD))
    raise BundleRefused("{name} was not merged. {reason}", name=path.name, reason=OTHER_WORDS)


def is_locked(said: Message) -> bool:
    """Return whether a sentence says that something could not be opened with the passphrase there is, or without one."""
    return said in (NO_WORDS, OTHER_WORDS) or any(
        isinstance(one, Message) and is_locked(one) for one in said.values.values()
    )


def read_passphrase(path: Path | None) -> Passphrase | None:
    """Return the passphrase in a text file; None for no file; BundleRefused if it cannot be read or be one."""
    if path is None:
        return None
    try:
        data = read_regular(path, LARGEST_WORDS)
        text = data.decode("utf-16" if data[:2] in UTF_16 else "utf-8")
    except (OSError, ValueError) as error:
        raise BundleRefused(
            "The passphrase file {path} cannot be read. Write the passphrase into it as text.", path=path
        ) from error
    return Passphrase(text.strip())


@lru_cache(16)
def _part_keys(passphrase: str, salt: bytes) -> tuple[AESGCM, bytes]:
    key = Scrypt(salt, 64, 2**15, 8, 1).derive(passphrase.encode())
    return AESGCM(key[:32]), key[32:]


def lock_part(data: bytes, passphrase: str, farm: str) -> bytes:
    """Return a part encrypted so that every copy of the farm writes the same bytes; BundleRefused if the words are too few.

    Notes: The salt follows from the farm, the nonce from the content, so equal content gives equal bytes and no nonce
    is used for two contents.
    """
    passphrase = passphrase if isinstance(passphrase, Passphrase) else Passphrase(passphrase)
    salt = hashlib.sha256(PART_HEAD + farm.encode()).digest()[:SALT]
    cipher, secret = _part_keys(passphrase, salt)
    nonce = hmac.digest(secret, data, "sha256")[:NONCE]
    return PART_HEAD + salt + nonce + cipher.encrypt(nonce, data, PART_HEAD)


def unlock_part(data: bytes, passphrase: str | None) -> bytes:
    """Return the content of a locked part; InvalidFact if it is altered, or the passphrase is lacking or wrong."""
    if passphrase is None:
        raise InvalidFact(NO_WORDS)
    start = len(PART_HEAD) + SALT + NONCE
    if data[: len(PART_HEAD)] != PART_HEAD or len(data) < start:
        raise InvalidFact("It is cut off, or not locked the way a part is.")
    salt, nonce = data[len(PART_HEAD) : start - NONCE], data[start - NONCE : start]
    try:
        prepared = passphrase if isinstance(passphrase, Passphrase) else Passphrase(passphrase)
        return _part_keys(prepared, salt)[0].decrypt(nonce, data[start:], PART_HEAD)
    except (InvalidTag, ValueError, BundleRefused) as error:
        raise InvalidFact(OTHER_WORDS) from error
