"""What packed data of others may unpack to: one bound, so that a small file never fills the memory."""

import zipfile
import zlib

RATIO = 32
"""Times its packed size that data may unpack to; lines of records reach 10."""
ALWAYS = 2**22
"""Bytes that any data may unpack to, however small it is packed."""


class TooLarge(ValueError):
    """Data that unpacks to more than it may."""


def largest(packed: int, most: int) -> int:
    """Return the bytes that data of so many packed bytes may unpack to.

    >>> largest(1000, 2**26), largest(2**20, 2**26), largest(2**30, 2**26)
    (4194304, 33554432, 67108864)
    """
    return min(most, max(ALWAYS, RATIO * packed))


def unpacked(packed: bytes, most: int) -> bytes:
    """Return what data packed by zlib (RFC 1950) unpacks to.

    Raises zlib.error if it is damaged, cut off or has something behind it; TooLarge.
    """
    limit, stream = largest(len(packed), most), zlib.decompressobj()
    data = stream.decompress(packed, limit)
    if not stream.eof:
        raise TooLarge if len(data) == limit else zlib.error("it is cut off")
    if stream.unused_data:
        raise zlib.error("it has something behind it")
    return data


def member(file: zipfile.ZipFile, info: zipfile.ZipInfo, most: int) -> bytes:
    """Return a member of a zip, whatever size it states; TooLarge if it is larger than it may be."""
    limit = largest(info.compress_size, most) if info.compress_type != zipfile.ZIP_STORED else most
    with file.open(info) as part:
        data = part.read(limit + 1)
    if len(data) > limit:
        raise TooLarge
    return data
