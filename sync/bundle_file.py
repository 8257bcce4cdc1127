"""The bundle as a file: one signed zip, written atomically, checked before it is read.

The format is described in FORMAT.md beside this file. Knows no logbook.
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
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from store.durability.atomic_file import write_atomically
from store.durability.carrier_files import answered
from store.errors import BundleRefused
from store.facts.fact_lines import InvalidFact, is_hash, is_seq, is_uuid, read_json
from store.facts.signed_pages import MOST_LINES
from store.unpacking import TooLarge, member
from sync.bundle_encryption import decrypted, encrypt

FORMAT = "rollbook-bundle"
VERSION = 5
OLDEST = 2  # version 1 had no signed pages
MANIFEST, SIGNATURE, RECORDS = "manifest.json", "manifest.sig", "records.jsonl"
PAGE_PARTS = ("device", "first", "last", "sha256", "signature")
CONTEXT = b"rollbook-bundle manifest\n"  # a signature given here is valid nowhere else

WRITE_S = 300.0
"""A carrier on which a bundle is not written after this long hangs, s."""
LARGEST_TOTAL = 2**30
LARGEST_MANIFEST = 2**25
LARGEST_RECORDS = 2**26
LONGEST_NAME = 200
LARGEST_TRACE = 2**22
MOST_MEMBERS = 200_000
MOST_DEVICES = 10_000
"""That a file may list beside its own."""

DAMAGE = (
    zipfile.BadZipFile, zipfile.LargeZipFile, zlib.error, EOFError, NotImplementedError,
    RuntimeError, ValueError, LookupError, OverflowError, struct.error,
)  # fmt: skip


@dataclass(frozen=True)
class Bundle:
    """A bundle whose signature is valid; each member's hash is checked when it is read."""

    path: Path
    manifest: dict[str, Any]
    public_key: bytes
    file: zipfile.ZipFile

    def read(self, name: str) -> bytes:
        """Return a member's bytes; InvalidFact if they are not those that were signed."""
        entry, info = self.manifest["members"][name], self.file.getinfo(name)
        if info.file_size == entry["bytes"]:  # before any of it is unpacked
            data = _member(self.file, info, LARGEST_RECORDS if name == RECORDS else LARGEST_TRACE)
            if len(data) == entry["bytes"] and hashlib.sha256(data).hexdigest() == entry["sha256"]:
                return data
        raise InvalidFact("Its part {member} was altered on the way.", member=name)


def write_bundle(
    path: Path, manifest: dict[str, Any], members: dict[str, bytes], key: bytes, passphrase: str | None = None
) -> None:
    """Write a signed bundle, read it back, and move it into place.

    `path`: the file; its folder is made if it is not there.
    `manifest`: without format, version, public key and members, which are filled in here.
    `members`: name to content, of the records and the pieces of trace.
    `key`: the device's Ed25519 private key, 32 bytes.
    `passphrase`: if given, the whole bundle is encrypted (sync.bundle_encryption).

    Raises BundleRefused if it cannot be written, or is too large to be read again.
    """
    private = Ed25519PrivateKey.from_private_bytes(key)
    public = private.public_key().public_bytes_raw().hex()
    whole = {"format": FORMAT, "version": VERSION, **manifest, "device": {**manifest["device"], "public_key": public}}
    whole["members"] = {
        name: {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()} for name, data in members.items()
    }
    text = json.dumps(whole, ensure_ascii=False, allow_nan=False, indent=1).encode()
    signature = private.sign(CONTEXT + text).hex().encode()

    def write() -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        with write_atomically(path) as beside:
            with zipfile.ZipFile(beside, "w", zipfile.ZIP_DEFLATED) as file:
                for name, data in ((MANIFEST, text), (SIGNATURE, signature), *members.items()):
                    packed = name.startswith("traces/")  # compressed already
                    member = zipfile.ZipInfo(name)  # dated 1980: a zip takes no clock before that, nor after 2107
                    file.writestr(member, data, zipfile.ZIP_STORED if packed else zipfile.ZIP_DEFLATED)
            try:
                with open_bundle(beside) as bundle:
                    for name in members:
                        bundle.read(name)
            except BundleRefused as refusal:
                raise BundleRefused(
                    "The bundle was not kept in {folder}, because what was written cannot be read back. {reason}",
                    folder=path.parent,
                    reason=refusal.message,
                ) from refusal
            if passphrase is not None:
                beside.write_bytes(encrypt(beside.read_bytes(), passphrase))

    try:
        answered(path, write, WRITE_S)
    except OSError as error:
        raise BundleRefused(
            "The bundle could not be written to {folder} ({reason}). "
            "Look whether the stick or folder is there, may be written to, and has room.",
            folder=path.parent,
            reason=error.strerror or error,
        ) from error


@contextmanager
def open_bundle(path: Path, passphrase: str | None = None) -> Iterator[Bundle]:
    """Yield a bundle whose manifest is what its device signed; nothing is unpacked to disk.

    Damage that the caller's block meets is refused too.

    Raises BundleRefused if it cannot be opened, or is cut off, altered, oversized, newer, encrypted, or not as the
        format requires.
    """
    with refused_if_damaged(path), decrypted(path, passphrase) as opened, zipfile.ZipFile(opened) as file:
        yield _read(path, file)


@contextmanager
def refused_if_damaged(path: Path) -> Iterator[None]:
    """Raise BundleRefused, with a sentence that names the file, for whatever a damaged or missing one raises."""
    try:
        yield
    except OSError as error:
        raise BundleRefused(
            "{path} cannot be read ({reason}). Look whether it is there.", path=path, reason=error.strerror or error
        ) from error
    except InvalidFact as error:
        raise BundleRefused(
            "{name} was not merged. {reason} Export it again where it came from.", name=path.name, reason=error.message
        ) from error
    except DAMAGE as error:
        raise BundleRefused(
            "{name} was not merged: it is damaged, cut off, or no bundle at all. "
            "Copy or export it again where it came from.",
            name=path.name,
        ) from error


def _read(path: Path, file: zipfile.ZipFile) -> Bundle:
    listed = file.infolist()
    infos = {info.filename: info for info in listed}
    if len(listed) > MOST_MEMBERS or sum(i.file_size for i in listed) > LARGEST_TOTAL:
        raise InvalidFact("It is larger than any bundle may be.")
    if len(infos) != len(listed):
        raise InvalidFact("Two of its parts have one name.")
    if MANIFEST not in infos or SIGNATURE not in infos:
        raise InvalidFact("It is no bundle, or its manifest or signature is missing.")
    text = _member(file, infos[MANIFEST], LARGEST_MANIFEST)
    manifest = read_json(text)
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise InvalidFact("Its manifest is not one of a bundle.")
    _check_version(path, manifest.get("version"))
    if not _is_manifest(manifest):
        raise InvalidFact("Its manifest is not complete.")
    public = bytes.fromhex(manifest["device"]["public_key"])
    signature = bytes.fromhex(_member(file, infos[SIGNATURE], 1024).decode("ascii"))
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(signature, CONTEXT + text)
    except InvalidSignature:
        raise InvalidFact("Its signature is not valid, so it was altered on the way.") from None
    if set(infos) != {MANIFEST, SIGNATURE, *manifest["members"]}:
        raise InvalidFact("Parts of it are missing or were added.")
    return Bundle(path, manifest, public, file)


def _check_version(path: Path, version: object) -> None:
    if type(version) is not int or version > VERSION:
        raise BundleRefused(
            "{name} was not merged: it was written by a newer Rollbook than this one. "
            "Install the newer program on this machine and merge it again.",
            name=path.name,
        )
    if version < OLDEST:
        raise BundleRefused(
            "{name} was not merged: it was written by a Rollbook too old for this one. "
            "Install this program on the machine it came from and export it there again.",
            name=path.name,
        )


def _member(file: zipfile.ZipFile, info: zipfile.ZipInfo, largest: int) -> bytes:
    if info.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
        raise InvalidFact("A part of it is packed in a way bundles do not use.")
    try:
        if info.file_size > largest:
            raise TooLarge
        return member(file, info, largest)
    except TooLarge as error:
        raise InvalidFact("A part of it is larger than it may be.") from error


def _is_manifest(manifest: dict[str, Any]) -> bool:
    """Return whether a manifest has its parts, and no member name but the allowed ones."""
    device, farm, members = (manifest.get(n) for n in ("device", "farm", "members"))
    others, pages = manifest.get("devices"), manifest.get("pages")
    return (
        is_named(farm)
        and is_device(device)
        and isinstance(others, list)
        and len(others) <= MOST_DEVICES
        and all(map(is_device, others))
        and isinstance(members, dict)
        and RECORDS in members
        and all(n == RECORDS or (n[:7] == "traces/" and is_uuid(n[7:-4]) and n[-4:] == ".bin") for n in members)
        and all(isinstance(entry, dict) and {"bytes", "sha256"} <= set(entry) for entry in members.values())
        and isinstance(pages, list)
        and all(map(_is_page, pages))
    )


def is_named(value: Any) -> bool:
    """Return whether a value is the id and name of a farm or device, as they may be shown."""
    return (
        isinstance(value, dict)
        and is_uuid(value.get("id"))
        and isinstance(value.get("name"), str)
        and len(value["name"]) <= LONGEST_NAME
        and value["name"].isprintable()  # it is shown to people, on terminals too
    )


def is_device(value: Any) -> bool:
    """Return whether a value is a device's id, name and public key."""
    return is_named(value) and is_hash(value.get("public_key"))


def _is_page(value: Any) -> bool:
    return (
        isinstance(value, dict)
        and is_uuid(value.get("device"))
        and is_seq(value.get("first"))
        and is_seq(value.get("last"))
        and value["first"] <= value["last"] < value["first"] + MOST_LINES
        and type(value.get("bytes")) is int
        and value["bytes"] > 0
        and is_hash(value.get("sha256"))
        and isinstance(value.get("signature"), str)
    )
