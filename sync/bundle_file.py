"""The bundle as a file: one signed zip, written whole or not at all, read with suspicion.

The format is described in FORMAT.md beside this file. Nothing here knows the store.
"""

import hashlib
import json
import struct
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import (
    Ed25519PrivateKey,
    Ed25519PublicKey,
)

from store.durability.atomic_file import write_atomically
from store.errors import BundleRefused
from store.facts.fact_lines import InvalidFact, is_hash, is_seq, is_uuid, read_json
from store.facts.signed_pages import MOST_LINES
from sync.bundle_encryption import lock, unlocked

FORMAT = "rollbook-bundle"
VERSION = 3
OLDEST = 2  # version 1 had no signed pages
MANIFEST, SIGNATURE, RECORDS = "manifest.json", "manifest.sig", "records.jsonl"
CONTEXT = b"rollbook-bundle manifest\n"  # a signature given here means nothing elsewhere

LARGEST_TOTAL = 2**30
LARGEST_MANIFEST = 2**25
LARGEST_RECORDS = 2**26
LONGEST_NAME = 200
LARGEST_TRACE = 2**22
MOST_MEMBERS = 200_000

_DAMAGE = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, EOFError, NotImplementedError,
    RuntimeError, ValueError, LookupError, OverflowError, struct.error,
)  # fmt: skip


@dataclass(frozen=True)
class Bundle:
    """A bundle whose signature has held; each member's hash is checked when it is read."""

    path: Path
    manifest: dict
    public_key: bytes
    file: zipfile.ZipFile

    def read(self, name: str) -> bytes:
        """Return a member's bytes.

        Raises
        ------
        InvalidFact
            If they are not those that were signed.
        """
        mark = self.manifest["members"][name]
        largest = LARGEST_RECORDS if name == RECORDS else LARGEST_TRACE
        info = self.file.getinfo(name)
        if info.file_size != mark["bytes"]:  # before any of it is unpacked
            raise InvalidFact(f"{name} in it was altered on the way")
        data = _member(self.file, info, largest)
        if len(data) != mark["bytes"] or hashlib.sha256(data).hexdigest() != mark["sha256"]:
            raise InvalidFact(f"{name} in it was altered on the way")
        return data


def write_bundle(
    path: Path,
    manifest: dict,
    members: dict[str, bytes],
    key: bytes,
    passphrase: str | None = None,
) -> None:
    """Write a signed bundle beside `path`, read it back, and rename it into place.

    Parameters
    ----------
    path : Path
        Where it goes; its folder is made if it is not there.
    manifest : dict
        Without format, version, public key and members, which are filled in here.
    members : dict
        Name to content, of the records and the pieces of trace.
    key : bytes, length 32
        The device's Ed25519 private key.
    passphrase : str, optional
        If given, the whole bundle is locked with it (sync.bundle_encryption).

    Raises
    ------
    BundleRefused
        If it cannot be written, or is too large to be read again.
    """
    private = Ed25519PrivateKey.from_private_bytes(key)
    said = {"format": FORMAT, "version": VERSION, **manifest}
    said["device"] = {
        **manifest["device"],
        "public_key": private.public_key().public_bytes_raw().hex(),
    }
    said["members"] = {
        name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()} for name, data in members.items()
    }
    text = json.dumps(said, ensure_ascii=False, allow_nan=False, indent=1).encode()
    signature = private.sign(CONTEXT + text).hex().encode()
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with write_atomically(path) as beside:
            with zipfile.ZipFile(beside, "w", zipfile.ZIP_DEFLATED) as file:
                for name, data in ((MANIFEST, text), (SIGNATURE, signature), *members.items()):
                    packed = name.startswith("traces/")  # zlib already; a second time gains nothing
                    file.writestr(name, data, zipfile.ZIP_STORED if packed else None)
            try:
                with open_bundle(beside) as bundle:
                    for name in members:
                        bundle.read(name)
            except BundleRefused as refusal:
                raise BundleRefused(
                    f"The bundle was not kept in {path.parent}, because what was written cannot be read back: {refusal}"
                ) from refusal
            if passphrase is not None:
                beside.write_bytes(lock(beside.read_bytes(), passphrase))
    except OSError as error:
        raise BundleRefused(
            f"The bundle could not be written to {path.parent} ({error.strerror or error}). "
            "Look whether the stick or folder is there, may be written to, and has room."
        ) from error


@contextmanager
def open_bundle(path: Path, passphrase: str | None = None) -> Iterator[Bundle]:
    """Yield a bundle whose manifest is what its device signed; nothing is unpacked to disk.

    What damage the caller's block meets is refused in the same words.

    Raises
    ------
    BundleRefused
        If it cannot be opened, or is cut off, altered, oversized, newer, locked, or oddly made.
    """
    try:
        source = unlocked(path, passphrase)
        with zipfile.ZipFile(source) as file:
            yield _read(path, file)
    except OSError as error:
        raise BundleRefused(f"{path} cannot be read ({error.strerror or error}). Look whether it is there.") from error
    except InvalidFact as error:
        raise BundleRefused(f"{path.name} was not merged: {error}. Export it again where it came from.") from error
    except _DAMAGE as error:
        raise BundleRefused(
            f"{path.name} was not merged: it is damaged, cut off, or no bundle at all. "
            "Copy or export it again where it came from."
        ) from error


def _read(path: Path, file: zipfile.ZipFile) -> Bundle:
    listed = file.infolist()
    infos = {info.filename: info for info in listed}
    if len(listed) > MOST_MEMBERS or sum(i.file_size for i in listed) > LARGEST_TOTAL:
        raise InvalidFact("it is larger than any bundle may be")
    if len(infos) != len(listed):
        raise InvalidFact("two of its parts have one name")
    if MANIFEST not in infos or SIGNATURE not in infos:
        raise InvalidFact("it is no bundle, or its manifest or signature is missing")
    text = _member(file, infos[MANIFEST], LARGEST_MANIFEST)
    said = read_json(text)
    if not isinstance(said, dict) or said.get("format") != FORMAT:
        raise InvalidFact("its manifest is not one of a bundle")
    _judge_version(path, said.get("version"))
    if not _well_made(said):
        raise InvalidFact("its manifest is not complete")
    public = bytes.fromhex(said["device"]["public_key"])
    signature = bytes.fromhex(_member(file, infos[SIGNATURE], 1024).decode("ascii"))
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, CONTEXT + text)
    except InvalidSignature:
        raise InvalidFact("its signature does not hold, so it was altered on the way") from None
    if set(infos) != {MANIFEST, SIGNATURE, *said["members"]}:
        raise InvalidFact("parts of it are missing or were added")
    return Bundle(path, said, public, file)


def _judge_version(path: Path, version) -> None:
    if type(version) is not int or version > VERSION:
        raise BundleRefused(
            f"{path.name} was not merged: it was written by a newer Rollbook than this one. "
            "Install the newer program on this machine and merge it again."
        )
    if version < OLDEST:
        raise BundleRefused(
            f"{path.name} was not merged: it was written by a Rollbook too old for this one. "
            "Install this program on the machine it came from and export it there again."
        )


def _member(file: zipfile.ZipFile, info: zipfile.ZipInfo, largest: int) -> bytes:
    if info.file_size > largest:
        raise InvalidFact("a part of it is larger than it may be")
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise InvalidFact("a part of it is packed in a way bundles do not use")
    with file.open(info) as part:
        return part.read(largest)


def _well_made(said: dict) -> bool:
    """Say whether a manifest has its parts, and no member name but the allowed ones."""
    device, farm, members = (said.get(n) for n in ("device", "farm", "members"))
    others, pages = said.get("devices"), said.get("pages")
    return (
        _named(device)
        and is_hash(device.get("public_key"))
        and _named(farm)
        and isinstance(others, list)
        and all(_named(d) and is_hash(d.get("public_key")) for d in others)
        and isinstance(members, dict)
        and RECORDS in members
        and all(
            (n == RECORDS or (n[:7] == "traces/" and is_uuid(n[7:-4]) and n[-4:] == ".bin")) and isinstance(mark, dict)
            for n, mark in members.items()
        )
        and all({"bytes", "sha256"} <= set(mark) for mark in members.values())
        and isinstance(pages, list)
        and all(_is_page(p) for p in pages)
    )


def _named(thing) -> bool:
    return (
        isinstance(thing, dict)
        and is_uuid(thing.get("id"))
        and isinstance(thing.get("name"), str)
        and len(thing["name"]) <= LONGEST_NAME
        and thing["name"].isprintable()  # it is shown to people, on terminals too
    )


def _is_page(thing) -> bool:
    return (
        isinstance(thing, dict)
        and is_uuid(thing.get("device"))
        and is_seq(thing.get("first"))
        and is_seq(thing.get("last"))
        and thing["first"] <= thing["last"] < thing["first"] + MOST_LINES
        and type(thing.get("bytes")) is int
        and thing["bytes"] > 0
        and is_hash(thing.get("sha256"))
        and isinstance(thing.get("signature"), str)
    )
