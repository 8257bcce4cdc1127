"""What a file can state of the tool from a fix on, one definition each for CSV, GPX, the track and its export."""

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import isnan
from typing import Any

import numpy as np

from cabapp.geometry.arrays import Floats


@dataclass(frozen=True)
class ToolColumn:
    """One thing that a file states of the tool.

    `name`: the attribute of `RecordedTrack`.
    `element`: the column of a CSV table and the element in a GPX point; with ``{n}`` one for each section, from 1.
    `headers`: further names of the column, in small letters without spaces and signs.
    `state`: whether it is 1 or 0, and kept as bool; else a number in SI.
    `length`: whether it is a length, m in GPX, in a table in the unit that its header names.
    """

    name: str
    element: str
    headers: str
    state: bool
    length: bool

    @property
    def numbered(self) -> bool:
        """Whether there is one for each section."""
        return "{n}" in self.element

    def read(self, text: str) -> float:
        """Return a cell as a number; ValueError where it is none."""
        if not self.state:
            return float(text)
        known = _STATES.get(text.lower())
        value = float(text) if known is None else known
        return value if isnan(value) else float(value > 0)

    def kept(self, held: Mapping[str, Floats], n: int) -> np.ndarray | None:
        """Return the column of a track of `n` fixes, of what holds on; None: not recorded.

        `held`: by `element`, each of shape (n,), NaN before anything was stated.
        """
        if self.numbered:
            most = max((int(m[1]) for one in held if (m := _NUMBERED[self.name].fullmatch(one))), default=0)
            every = [held.get(self.element.format(n=k), np.zeros(n)) for k in range(1, most + 1)]
            found = np.column_stack(every) if every else None
        else:
            found = held.get(self.element)
        return found > 0 if self.state and found is not None else found


TOOL_COLUMNS = (
    ToolColumn(
        "working", "working", "work toolworking implementworking down tooldown lowered active", state=True, length=False
    ),
    ToolColumn("width", "width", "workingwidth swathwidth toolwidth", state=False, length=True),
    ToolColumn("sections", "s{n}", "section{n} boom{n} row{n}", state=True, length=False),
)
"""A further one needs its attribute in `RecordedTrack`, too; what is done with it is up to `recorded_day.py`."""

_STATES = {"1": 1.0, "0": 0.0} | dict.fromkeys(("true", "yes", "on", "down", "y", "t"), 1.0)
_STATES |= dict.fromkeys(("false", "no", "off", "up", "n", "f"), 0.0)
"""How a tool's state is written, in small letters."""
_NUMBERED = {one.name: re.compile(one.element.format(n="([1-9]\\d?)")) for one in TOOL_COLUMNS if one.numbered}
_HEADERS = {
    one.name: re.compile("|".join((one.element, *one.headers.split())).replace("{n}", "0?[1-9]\\d?"))
    for one in TOOL_COLUMNS if one.numbered
}  # fmt: skip


@lru_cache(maxsize=256)
def tool_column(element: str) -> ToolColumn | None:
    """Return what a column or element of this name states; None for any other.

    >>> tool_column("s12").name, tool_column("width").name, tool_column("sigma")
    ('sections', 'width', None)
    """
    for one in TOOL_COLUMNS:
        if element == one.element or (one.numbered and _NUMBERED[one.name].fullmatch(element)):
            return one
    return None


def numbered_columns(headers: list[str]) -> dict[str, int]:
    """Return the place of each column of a section among the headers of a table, by its element.

    >>> numbered_columns(["time", "boom01", "s2"])
    {'s1': 1, 's2': 2}
    """
    return {
        one.element.format(n=int(re.sub(r"\D", "", header))): place
        for one in TOOL_COLUMNS if one.numbered
        for place, header in enumerate(headers) if _HEADERS[one.name].fullmatch(header)
    }  # fmt: skip


def tool_elements(stated: Mapping[str, Any]) -> dict[str, str]:
    """Return what an export writes, by element; keys are names of `TOOL_COLUMNS`, lengths in m.

    Raises KeyError: no column has this name.

    >>> tool_elements({"working": True, "sections": "10"}), tool_elements({"width": 6.5})
    ({'working': '1', 's1': '1', 's2': '0'}, {'width': '6.500'})
    """
    by_name = {one.name: one for one in TOOL_COLUMNS}
    found: dict[str, str] = {}
    for name, value in stated.items():
        column = by_name[name]
        if column.numbered:
            found |= {column.element.format(n=n): str(int(one)) for n, one in enumerate(value, 1)}
        else:
            found[column.element] = str(int(value)) if column.state else f"{value:.3f}"
    return found
