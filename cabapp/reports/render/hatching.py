"""Pass counts as tally hatching: the class of a cell, and its outline as an SVG path.

Bare paper is ground never covered; the patterns differ without colour.
"""

import numpy as np
import shapely

NONE, SHORT, NEARLY, AT_TARGET, ABOVE, UNKNOWN = range(6)
PATTERNS = {SHORT: "once", NEARLY: "nearly", AT_TARGET: "target", ABOVE: "above", UNKNOWN: "unknown"}

INK, PAPER = "#14120c", "#f5efe0"


def cell_classes(counts: np.ndarray, unknown: np.ndarray, target) -> np.ndarray:
    """Return the class of every cell, uint8, same shape as `counts`.

    `unknown` marks ground the tool crossed with no trustworthy position; `target` may be an array.

    >>> cell_classes(np.array([[0, 1, 2, 3, 1]]), np.array([[0, 0, 0, 0, 1]], bool), 2).tolist()
    [[0, 1, 3, 4, 5]]
    >>> cell_classes(np.array([[1, 2, 3]]), np.zeros((1, 3), bool), 3).tolist()
    [[1, 2, 3]]
    """
    found = np.zeros(counts.shape, dtype=np.uint8)
    found[counts >= 1] = SHORT
    found[(counts >= 2) & (counts < target)] = NEARLY
    found[counts == target] = AT_TARGET
    found[counts > target] = ABOVE
    found[unknown & (counts < target)] = UNKNOWN
    return found


def outlines(kinds: np.ndarray) -> dict[int, list[np.ndarray]]:
    """Return for each class the rings round its cells, (column, row), shape (k, 2).

    Holes are rings of their own, to be filled by the even-odd rule; bare ground is left out.
    """
    found = {}
    for kind in PATTERNS:
        rings = _rings(kinds == kind)
        if rings:
            found[kind] = rings
    return found


EAST, NORTH, WEST, SOUTH = range(4)


def _rings(mask: np.ndarray) -> list[np.ndarray]:
    """Rings round the cells of a mask, their stairs smoothed away; specks of a cell are dropped.

    Every side between a cell in and a cell out is an edge with the inside on its left; each
    edge has one successor, so following them gives outer rings and holes at once.
    """
    corner, way, wide = _edges(mask)
    if not len(corner):
        return []
    key = corner * 4 + way
    order = np.argsort(key)
    sorted_key = key[order]
    end = corner + np.array([1, wide, -1, -wide])[way]
    follows = np.full(len(key), -1)
    # Where four edges meet the way to the left keeps to its own cell.
    for turn in (3, 0, 1):
        wanted = end * 4 + (way + turn) % 4
        at = np.minimum(np.searchsorted(sorted_key, wanted), len(key) - 1)
        there = sorted_key[at] == wanted
        follows[there] = order[at[there]]
    return _smooth(_chains(follows.tolist(), way), corner, wide)


def _edges(mask: np.ndarray) -> tuple[np.ndarray, np.ndarray, int]:
    """Where each edge starts (a corner's number), which way it goes, and corners in a row."""
    inside = np.pad(mask, 1)
    wide = mask.shape[1] + 1
    here = inside[1:-1, 1:-1]
    sides = (
        (inside[:-2, 1:-1], EAST, 0, 0), (inside[1:-1, 2:], NORTH, 0, 1),
        (inside[2:, 1:-1], WEST, 1, 1), (inside[1:-1, :-2], SOUTH, 1, 0),
    )  # fmt: skip
    corners, ways = [], []
    for beside, way, up, right in sides:
        row, column = np.nonzero(here & ~beside)
        corners.append((row + up) * wide + column + right)
        ways.append(np.full(len(row), way))
    return np.concatenate(corners), np.concatenate(ways), wide


def _chains(follows: list[int], way: np.ndarray) -> list[list[int]]:
    """The edges of each ring, in order, at which it turns."""
    seen, turns, ways = bytearray(len(follows)), [], way.tolist()
    for first in range(len(follows)):
        ring, at, before = [], first, None
        while not seen[at]:
            seen[at] = 1
            if ways[at] != before:
                ring.append(at)
            before, at = ways[at], follows[at]
        if ring:
            turns.append(ring)
    return turns


def _smooth(chains: list[list[int]], corner: np.ndarray, wide: int) -> list[np.ndarray]:
    """Rings of corners with their stairs smoothed away."""
    closed = np.concatenate([[*chain, chain[0]] for chain in chains])
    number = np.repeat(np.arange(len(chains)), [len(chain) + 1 for chain in chains])
    places = np.column_stack([corner[closed] % wide, corner[closed] // wide]).astype(float)
    rings = shapely.simplify(shapely.linearrings(places, indices=number), 0.71)
    points, number = shapely.get_coordinates(rings, return_index=True)
    found = np.split(points, np.flatnonzero(np.diff(number)) + 1)
    return [ring for ring in found if not 0 <= _signed(ring) < 2]


def _signed(ring: np.ndarray) -> float:
    """Area of a closed ring, cells; below 0 for a hole."""
    x, y = ring.T
    return float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) / 2)


def path_data(rings: list[np.ndarray], step: int = 1) -> str:
    """Return SVG path data of rings; corners are rounded to `step` tenths.

    >>> ring = np.array([[0, 0], [10.3, 0], [10.3, 5], [0, 0]])
    >>> path_data([ring]), path_data([ring], 10)
    ('M0 0l10.3 0 0 5z', 'M0 0l10 0 0 5z')
    """
    parts = []
    for ring in rings:
        tenths = np.rint(np.asarray(ring) * 10 / step).astype(int) * step
        moves = np.diff(tenths[:-1], axis=0)
        words = " ".join(f"{_tenth(a)} {_tenth(b)}" for a, b in moves)
        parts.append(f"M{_tenth(tenths[0][0])} {_tenth(tenths[0][1])}l{words}z")
    return "".join(parts)


def _tenth(value: int) -> str:
    return f"{value / 10:.1f}".rstrip("0").rstrip(".")


def pattern_defs(prefix: str) -> str:
    """SVG pattern definitions, ids ``<prefix>-once`` and so on; trusted text, no input in it."""
    stroke = f'stroke="{INK}" stroke-width="1.1"'
    return f"""
<pattern id="{prefix}-once" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-52)"><path d="M0 3.5H7" {stroke}/></pattern>
<pattern id="{prefix}-nearly" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-52)"><path d="M0 2H7M0 4.6H7" {stroke}/></pattern>
<pattern id="{prefix}-target" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-52)"><path d="M0 3.5H7M3.5 0V7" {stroke}/></pattern>
<pattern id="{prefix}-above" width="7" height="7" patternUnits="userSpaceOnUse"><rect width="7" height="7" fill="{INK}"/><circle cx="3.5" cy="3.5" r="1.05" fill="{PAPER}"/></pattern>
<pattern id="{prefix}-unknown" width="8" height="8" patternUnits="userSpaceOnUse"><circle cx="2" cy="2" r="1" fill="{INK}"/><circle cx="6" cy="6" r="1" fill="{INK}"/></pattern>"""
