"""Pass counts as tally hatching: which class a cell is, and its outline as an SVG path.

Bare paper is ground never covered. Nothing relies on colour: the patterns
differ in grey-scale and on a bad printer.
"""

import numpy as np
import shapely

NONE, SHORT, NEARLY, AT_TARGET, ABOVE, UNKNOWN = range(6)
PATTERNS = {
    SHORT: "once",
    NEARLY: "nearly",
    AT_TARGET: "target",
    ABOVE: "above",
    UNKNOWN: "unknown",
}

INK, PAPER = "#14120c", "#f5efe0"


def classes(counts: np.ndarray, unknown: np.ndarray, target) -> np.ndarray:
    """Class of every cell.

    Parameters
    ----------
    counts : ndarray of int, shape (rows, columns)
        Passes over each cell.
    unknown : ndarray of bool, same shape
        Ground the tool crossed with no trustworthy position.
    target : int, or ndarray of int of the same shape
        Passes wanted.

    Returns
    -------
    ndarray of uint8, same shape

    Examples
    --------
    >>> classes(np.array([[0, 1, 2, 3, 1]]), np.array([[0, 0, 0, 0, 1]], bool), 2).tolist()
    [[0, 1, 3, 4, 5]]
    >>> classes(np.array([[1, 2, 3]]), np.zeros((1, 3), bool), 3).tolist()
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
    """Rings round the cells of each class, in cells (column, row), bare ground left out.

    Parameters
    ----------
    kinds : ndarray of uint8, shape (rows, columns)

    Returns
    -------
    dict
        Class to a list of rings, each of shape (k, 2); holes are rings of their own,
        to be filled by the even-odd rule.
    """
    found = {}
    for kind in PATTERNS:
        shape = _region(kinds == kind)
        if shape is not None:
            polygons = [p for p in getattr(shape, "geoms", [shape]) if p.area >= 2]
            rings = [r for p in polygons for r in (p.exterior, *p.interiors)]
            if rings:
                found[kind] = [np.asarray(r.coords) for r in rings]
    return found


def _region(mask: np.ndarray):
    """The ground of a mask, its stairs smoothed away; runs of cells, then one union."""
    padded = np.pad(mask, ((0, 0), (1, 1))).astype(np.int8)
    step = np.diff(padded, axis=1)
    row, first = np.nonzero(step == 1)
    _, last = np.nonzero(step == -1)
    if not len(row):
        return None
    shape = shapely.union_all(shapely.box(first, row, last, row + 1))
    return shapely.simplify(shape, 0.71)


def path_data(rings: list[np.ndarray]) -> str:
    """SVG path data of rings, one decimal, relative lines to keep the page small.

    Examples
    --------
    >>> path_data([np.array([[0, 0], [10, 0], [10, 5], [0, 0]])])
    'M0 0l10 0 0 5z'
    """
    parts = []
    for ring in rings:
        tenths = np.rint(np.asarray(ring) * 10).astype(int)
        moves = np.diff(tenths[:-1], axis=0)
        words = " ".join(f"{_tenth(a)} {_tenth(b)}" for a, b in moves)
        parts.append(f"M{_tenth(tenths[0][0])} {_tenth(tenths[0][1])}l{words}z")
    return "".join(parts)


def _tenth(value: int) -> str:
    return f"{value / 10:.1f}".rstrip("0").rstrip(".")


def pattern_defs(prefix: str, ink: str = INK, paper: str = PAPER) -> str:
    """SVG pattern definitions, ids ``<prefix>-once`` and so on; trusted text, no input in it."""
    stroke = f'stroke="{ink}" stroke-width="1.1"'
    return f"""
<pattern id="{prefix}-once" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-52)"><path d="M0 3.5H7" {stroke}/></pattern>
<pattern id="{prefix}-nearly" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-52)"><path d="M0 2H7M0 4.6H7" {stroke}/></pattern>
<pattern id="{prefix}-target" width="7" height="7" patternUnits="userSpaceOnUse" patternTransform="rotate(-52)"><path d="M0 3.5H7M3.5 0V7" {stroke}/></pattern>
<pattern id="{prefix}-above" width="7" height="7" patternUnits="userSpaceOnUse"><rect width="7" height="7" fill="{ink}"/><circle cx="3.5" cy="3.5" r="1.05" fill="{paper}"/></pattern>
<pattern id="{prefix}-unknown" width="8" height="8" patternUnits="userSpaceOnUse"><circle cx="2" cy="2" r="1" fill="{ink}"/><circle cx="6" cy="6" r="1" fill="{ink}"/></pattern>"""
