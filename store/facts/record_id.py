"""The id of a record: bound to the device that wrote it, so that no other device's record can have the same.

Notes: A UUID of version 8 (RFC 9562, section 5.8): 60 random bits in its first eight bytes, and in its last eight 62 bits of
the SHA-256 of the device's id and those. Ids of records of older programs are of version 4 and bound to nobody.
"""

import hashlib
import uuid


def new_id(device: str) -> str:
    """Return an id for a record of a device."""
    head = bytearray(uuid.uuid4().bytes[:8])
    head[6] = head[6] & 0x0F | 0x80  # the version
    return str(uuid.UUID(bytes=bytes(head) + _tail(device, bytes(head))))


def may_have(device: str, id: str) -> bool:
    """Return whether a record of a device may have an id, which is the text of a UUID.

    >>> may_have("1f0c22ab-0000-4000-8000-000000000001", "6d1c2f0e-7a3b-4c55-9a53-1f6b6f0e8a11")
    True
    >>> own = new_id("1f0c22ab-0000-4000-8000-000000000001")
    >>> may_have("1f0c22ab-0000-4000-8000-000000000001", own), may_have("1f0c22ab-0000-4000-8000-000000000002", own)
    (True, False)
    """
    if id[14] != "8":
        return True
    given = bytes.fromhex(id.replace("-", ""))
    return given[8:] == _tail(device, given[:8])


def _tail(device: str, head: bytes) -> bytes:
    tail = bytearray(hashlib.sha256(b"rollbook record\n" + device.encode() + b"\n" + head).digest()[:8])
    tail[0] = tail[0] & 0x3F | 0x80  # the variant
    return bytes(tail)
