"""The id of a record: bound to the device that wrote it, so that no other device's record can have the same.

Notes: A UUID of version 8 (RFC 9562, section 5.8): 60 random bits in its first eight bytes, and in its last eight 62 bits of
the SHA-256 of the device's id and those. Ids of records of older programs are of version 4 and bound to nobody.
"""

import hashlib
import uuid
from collections.abc import Iterable
from typing import Any


def new_id(device: str) -> str:
    """Return an id for a record of a device."""
    head = bytearray(uuid.uuid4().bytes[:8])
    head[6] = head[6] & 0x0F | 0x80  # the version
    return str(uuid.UUID(bytes=bytes(head) + _tail(_begun(device), bytes(head))))


def may_have(device: str, id: str) -> bool:
    """Return whether a record of a device may have an id, which is the text of a UUID.

    >>> may_have("1f0c22ab-0000-4000-8000-000000000001", "6d1c2f0e-7a3b-4c55-9a53-1f6b6f0e8a11")
    True
    >>> own = new_id("1f0c22ab-0000-4000-8000-000000000001")
    >>> may_have("1f0c22ab-0000-4000-8000-000000000001", own), may_have("1f0c22ab-0000-4000-8000-000000000002", own)
    (True, False)
    """
    return all_may_have(device, (id,))


def all_may_have(device: str, ids: Iterable[str]) -> bool:
    """Return whether records of a device may have these ids."""
    begun = _begun(device)
    for id in ids:
        if id[14] == "8":
            given = bytes.fromhex(id.replace("-", ""))
            if given[8:] != _tail(begun, given[:8]):
                return False
    return True


def _begun(device: str) -> Any:
    return hashlib.sha256(b"rollbook record\n" + device.encode() + b"\n")


def _tail(begun: Any, head: bytes) -> bytes:
    hashed = begun.copy()
    hashed.update(head)
    tail: bytes = hashed.digest()
    return bytes((tail[0] & 0x3F | 0x80,)) + tail[1:8]  # the first has the variant
