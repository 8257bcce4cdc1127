"""Encryption of a bundle with a passphrase, for a stick that may be lost.

Notes: Layout: ``rollbook-locked-1`` and a line feed, 16 bytes of salt, 12 bytes of nonce, then the bundle under
AES-256-GCM (NIST SP 800-38D) with the first line as additional data. The key is scrypt (RFC 7914) of the passphrase as
UTF-8, N = 2**15, r = 8, p = 1: 32 MB and a tenth of a second a guess. The figures are fixed by the version, so a
hostile file cannot ask for more.

A part (a segment or a head) is locked for itself: ``rollbook-locked-2`` and a line feed, salt, nonce, then the part under
AES-256-GCM with the first line as additional data. Salt: the first 16 bytes of the SHA-256 of that line and the farm's id.
scrypt gives 64 bytes: the key, and the secret of an HMAC-SHA-256 of the part, the first 12 bytes of which are the nonce.
"""

import hashlib
import hmac
import io
import os
from contextlib import ExitStack
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.scrypt import Scrypt

from store.durability.carrier_files import open_regular, read_regular
from store.errors import BundleRefused
from store.facts.fact_lines import InvalidFact

HEAD = b"rollbook-locked-1\n"
PART_HEAD = b"rollbook-locked-2\n"
SALT, NONCE = 16, 12
LARGEST_LOCKED = 2**28
SHORTEST = 8
LARGEST_WORDS = 4096


def _cipher(passphrase: str, salt: bytes) -> AESGCM:
    return AESGCM(Scrypt(salt, 32, 2**15, 8, 1).derive(passphrase.encode()))


def encrypt(data: bytes, passphrase: str) -> bytes:
    """Return data encrypted with a passphrase; BundleRefused if the passphrase is too short, or the data too large."""
    if len(passphrase) < SHORTEST:
        raise BundleRefused(
            "The bundle was not written: a passphrase needs eight letters or more. Four ordinary words are good."
        )
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
            raise BundleRefused(
                "{name} was not merged: it is locked with a passphrase. Merge it again and give the passphrase.",
                name=path.name,
            )
        salt, nonce = file.read(SALT), file.read(NONCE)
        sealed = file.read(LARGEST_LOCKED + 17)
    try:
        return io.BytesIO(_cipher(passphrase, salt).decrypt(nonce, sealed, HEAD))
    except (InvalidTag, ValueError) as error:
        raise BundleRefused(
            "{name} was not merged: the passphrase is not the one it was locked with, "
            "or it is damaged. Try again, or export it again where it came from.",
            name=path.name,
        ) from error


def read_passphrase(path: Path | None) -> str | None:
    """Return the passphrase in a file, stripped of blanks; None for no file; BundleRefused if it cannot be read."""
    if path is None:
        return None
    try:
        return read_regular(path, LARGEST_WORDS).decode("utf-8").strip()
    except (OSError, ValueError) as error:
        raise BundleRefused(
            "The passphrase file {path} cannot be read. Write the passphrase into it as text.", path=path
        ) from error


@lru_cache(16)
def _part_keys(passphrase: str, salt: bytes) -> tuple[AESGCM, bytes]:
    key = Scrypt(salt, 64, 2**15, 8, 1).derive(passphrase.encode())
    return AESGCM(key[:32]), key[32:]


def lock_part(data: bytes, passphrase: str, farm: str) -> bytes:
    """Return a part encrypted so that every copy of the farm writes the same bytes; BundleRefused if the words are too few.

    Notes: The salt follows from the farm, the nonce from the content, so equal content gives equal bytes and no nonce
    is used for two contents.
    """
    if len(passphrase) < SHORTEST:
        raise BundleRefused(
            "The bundle was not written: a passphrase needs eight letters or more. Four ordinary words are good."
        )
    salt = hashlib.sha256(PART_HEAD + farm.encode()).digest()[:SALT]
    cipher, secret = _part_keys(passphrase, salt)
    nonce = hmac.digest(secret, data, "sha256")[:NONCE]
    return PART_HEAD + salt + nonce + cipher.encrypt(nonce, data, PART_HEAD)


def unlock_part(data: bytes, passphrase: str | None) -> bytes:
    """Return the content of a locked part; InvalidFact if it is altered, or the passphrase is lacking or wrong."""
    if passphrase is None:
        raise InvalidFact("It is locked with a passphrase. Merge it again and give the passphrase.")
    start = len(PART_HEAD) + SALT + NONCE
    if data[: len(PART_HEAD)] != PART_HEAD or len(data) < start:
        raise InvalidFact("It is cut off, or not locked the way a part is.")
    salt, nonce = data[len(PART_HEAD) : start - NONCE], data[start - NONCE : start]
    try:
        return _part_keys(passphrase, salt)[0].decrypt(nonce, data[start:], PART_HEAD)
    except (InvalidTag, ValueError) as error:
        raise InvalidFact("The passphrase is not the one it was locked with, or it is damaged.") from error
