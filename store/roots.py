"""The first page of a table written anew from the pages of it that are still there. Pure bytes.

Source of the layout: sqlite.org/fileformat2.html, 1.3 (header), 1.5 (free pages) and 1.6 (trees).
"""

import struct

INNER, LEAF = 0x05, 0x0D


def page_size(data: bytes) -> int:
    """Return the bytes a page has in a SQLite file."""
    (size,) = struct.unpack_from(">H", data, 16)
    return 65_536 if size == 1 else size


def new_root(data: bytes, roots: list[int]) -> tuple[int, bytes] | None:
    """Return the number and content of the first page of the one table that has lost its own.

    Parameters
    ----------
    data : bytes
        A SQLite file without a log.
    roots : list of int
        The page each table begins on.

    Returns
    -------
    tuple or None
        None if no first page is destroyed, or several are, for whose is what can then not be
        told, or the table had no other page.
    """
    size = page_size(data)
    pages = {n + 1: data[n * size : (n + 1) * size] for n in range(len(data) // size)}
    below = {n: _children(page, n, len(pages)) for n, page in pages.items()}
    lost = [root for root in roots if below.get(root) is None]
    if len(lost) != 1:
        return None
    taken, waiting = _free(data, pages), [root for root in roots if root not in lost]
    while waiting:
        page = waiting.pop()
        if page not in taken:
            taken.add(page)
            waiting += below.get(page) or []
    orphans = {n for n, named in below.items() if named is not None and n not in taken}
    named = {child for n in orphans for child in below[n]}
    ends = {n: _last_row(n, pages, below) for n in orphans - named - set(lost)}
    tops = sorted((end, n) for n, end in ends.items() if end is not None)
    content = _inner(tops, size) if tops else None
    return content and (lost[0], content)


def _children(page: bytes, number: int, pages: int) -> list[int] | None:
    """Return the pages a page of a table names, none if it holds rows; None if it is neither."""
    at = 100 if number == 1 else 0
    kind, cells = page[at], struct.unpack_from(">H", page, at + 3)[0]
    begin = at + (12 if kind == INNER else 8)
    if kind not in (INNER, LEAF) or begin + 2 * cells > len(page):
        return None
    places = struct.unpack_from(f">{cells}H", page, begin)
    if any(not begin + 2 * cells <= place <= len(page) - 4 for place in places):
        return None
    if kind == LEAF:
        return []
    named = [struct.unpack_from(">I", page, place)[0] for place in (*places, at + 8)]
    return named if all(1 < n <= pages for n in named) else None


def _free(data: bytes, pages: dict[int, bytes]) -> set[int]:
    found: set[int] = set()
    (trunk,) = struct.unpack_from(">I", data, 32)
    while trunk in pages and trunk not in found:
        found.add(trunk)
        page = pages[trunk]
        trunk, count = struct.unpack_from(">II", page)
        found |= set(struct.unpack_from(f">{min(count, len(page) // 4 - 2)}I", page, 8))
    return found


def _last_row(number: int, pages: dict[int, bytes], below: dict) -> int | None:
    """Return the number of the last row in a page or under it; None if there is none."""
    for _ in range(20):  # no tree is so high
        if not below.get(number):
            break
        number = below[number][-1]
    page = pages[number]
    (cells,) = struct.unpack_from(">H", page, 3)
    if not cells or below.get(number) is None:
        return None
    (place,) = struct.unpack_from(">H", page, 8 + 2 * (cells - 1))
    _length, place = _varint(page, place)
    return _varint(page, place)[0]


def _inner(tops: list[tuple[int, int]], size: int) -> bytes | None:
    """Return a page that names others, each with its last row; None if it cannot name so many."""
    cells = [struct.pack(">I", n) + _as_varint(end) for end, n in tops[:-1]]
    content, places = bytearray(size), []
    end = size
    for cell in cells:
        end -= len(cell)
        places.append(end)
        if end < 12 + 2 * len(cells):
            return None
        content[end : end + len(cell)] = cell
    content[:12] = struct.pack(">BHHHBI", INNER, 0, len(cells), end, 0, tops[-1][1])
    content[12 : 12 + 2 * len(places)] = struct.pack(f">{len(places)}H", *places)
    return bytes(content)


def _varint(page: bytes, place: int) -> tuple[int, int]:
    """Return a number written high bits first, seven a byte, and where it ends."""
    value = 0
    for at in range(place, min(place + 8, len(page))):
        value = value << 7 | page[at] & 0x7F
        if page[at] < 0x80:
            return value, at + 1
    return value, place + 8  # of nine bytes: no row of a logbook has such a number


def _as_varint(value: int) -> bytes:
    """Return a number as `_varint` reads it.

    Examples
    --------
    >>> _as_varint(300).hex(), _varint(_as_varint(300), 0)
    ('822c', (300, 2))
    """
    out = [value & 0x7F]
    while value := value >> 7:
        out.append(value & 0x7F | 0x80)
    return bytes(reversed(out))
