"""The head of a copy: a small signed file that says whose it is, of which farm, whom it has met and what it has."""

import json
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey

from store.errors import BundleRefused
from store.facts.fact_lines import InvalidFact, is_hash, is_seq, is_uuid, read_json
from sync.bundle_file import MOST_DEVICES, is_device, is_named

FORMAT, OLDEST, VERSION = "rollbook-head", 5, 5
CONTEXT = b"rollbook head\n"  # a signature given here is valid nowhere else
LARGEST_HEAD = 2**22
MOST_RANGES = 10_000


@dataclass(frozen=True)
class CopyHead:
    """A head whose signature is valid; `path` names it in sentences."""

    path: Path
    manifest: dict[str, Any]
    public_key: bytes

    @property
    def device(self) -> str:
        """The device that wrote it."""
        return str(self.manifest["device"]["id"])

    @property
    def farm(self) -> str:
        """The farm it is of."""
        return str(self.manifest["farm"]["id"])

    def ranges(self, device: str) -> list[list[int]]:
        """Return the records of a device it has, as first and last numbers in order."""
        ranges: list[list[int]] = self.manifest["has"].get(device, {"ranges": []})["ranges"]
        return ranges

    def chain(self, device: str) -> str | None:
        """Return the chain of the pages of a device it has; None if it has none."""
        entry = self.manifest["has"].get(device)
        return None if entry is None else str(entry["chain"])


def write_head(manifest: dict[str, Any], key: bytes) -> bytes:
    """Return a signed head.

    `manifest`: without format, version and public key, which are filled in here.
    `key`: the device's Ed25519 private key, 32 bytes.
    """
    private = Ed25519PrivateKey.from_private_bytes(key)
    public = private.public_key().public_bytes_raw().hex()
    whole = {"format": FORMAT, "version": VERSION, **manifest, "device": {**manifest["device"], "public_key": public}}
    text = json.dumps(whole, ensure_ascii=False, allow_nan=False, indent=1).encode()
    return private.sign(CONTEXT + text).hex().encode() + b"\n" + text + b"\n"


def read_head(path: Path, data: bytes) -> CopyHead:
    """Return the head in a file's bytes; BundleRefused if it is cut off, altered, newer, or not as it must be."""
    try:
        return _read(path, data)
    except InvalidFact as error:
        raise BundleRefused(
            "{name} was not read. {reason} Exchange again with the copy it is from.",
            name=path.name,
            reason=error.message,
        ) from error


def _read(path: Path, data: bytes) -> CopyHead:
    signature, _, text = data.partition(b"\n")
    if len(data) > LARGEST_HEAD or not text.endswith(b"\n"):
        raise InvalidFact("It is cut off, or no head.")
    manifest = read_json(text[:-1])
    if not isinstance(manifest, dict) or manifest.get("format") != FORMAT:
        raise InvalidFact("It is cut off, or no head.")
    version = manifest.get("version")
    if type(version) is int and version > VERSION:
        raise BundleRefused(
            "{name} was not merged: it was written by a newer Rollbook than this one. "
            "Install the newer program on this machine and merge it again.",
            name=path.name,
        )
    if type(version) is not int or version < OLDEST or not _is_manifest(manifest):
        raise InvalidFact("It is not complete.")
    public = bytes.fromhex(manifest["device"]["public_key"])
    try:
        Ed25519PublicKey.from_public_bytes(public).verify(bytes.fromhex(signature.decode("ascii")), CONTEXT + text[:-1])
    except (InvalidSignature, ValueError):
        raise InvalidFact("Its signature is not valid, so it was altered on the way.") from None
    return CopyHead(path, manifest, public)


def _is_manifest(manifest: dict[str, Any]) -> bool:
    others, has = manifest.get("devices"), manifest.get("has")
    return (
        is_named(manifest.get("farm"))
        and is_device(manifest.get("device"))
        and isinstance(others, list)
        and len(others) <= MOST_DEVICES
        and all(map(is_device, others))
        and isinstance(has, dict)
        and len(has) <= MOST_DEVICES
        and all(is_uuid(device) and _is_entry(entry) for device, entry in has.items())
    )


def _is_entry(entry: Any) -> bool:
    return (
        isinstance(entry, dict)
        and isinstance(entry.get("ranges"), list)
        and 0 < len(entry["ranges"]) <= MOST_RANGES
        and all(map(_is_range, entry["ranges"]))
        and all(a[1] < b[0] for a, b in pairwise(entry["ranges"]))
        and is_hash(entry.get("chain"))
    )


def _is_range(value: Any) -> bool:
    return isinstance(value, list) and len(value) == 2 and all(map(is_seq, value)) and value[0] <= value[1]
