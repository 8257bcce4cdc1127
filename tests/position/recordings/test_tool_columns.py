"""Each recorded column: the same in a table, in GPX, in the track and in the README."""

from dataclasses import fields
from itertools import chain
from pathlib import Path

import numpy as np
import pytest

from cabapp.position.recordings.csv_reader import NAMES
from cabapp.position.recordings.gpx_reader import WORK_SPACE
from cabapp.position.recordings.recording import RecordedTrack
from cabapp.position.recordings.tool_columns import TOOL_COLUMNS, tool_elements
from cabapp.position.recordings.trace_reader import read_recording

ROOT = Path(__file__).resolve().parents[3]


def test_no_header_stands_for_two_columns():
    """A name of a column names one thing only."""
    every = list(chain.from_iterable(known.split() for known in NAMES.values()))
    every += [one for column in TOOL_COLUMNS if column.numbered for one in (column.element, *column.headers.split())]
    assert len(every) == len(set(every))


def test_the_track_has_every_column_and_no_other():
    """What a file states of the tool is an attribute of the track by the same name, None where it is not recorded; so is `switch`."""
    optional = [one.name for one in fields(RecordedTrack) if one.default is None]
    assert optional == [*(one.name for one in TOOL_COLUMNS), "switch"]


@pytest.mark.parametrize("column", TOOL_COLUMNS, ids=lambda one: one.name)
def test_a_column_is_read_under_all_its_names_and_as_it_is_written(column, tmp_path):
    """Every header of a table, and the element that an export writes, lead to the same attribute of the track."""
    value = [True, False, True] if column.numbered else True if column.state else 6.5
    written = tool_elements({column.name: value})
    point = '<trkpt lat="52" lon="-106"><time>2026-05-05T10:00:00Z</time><extensions>{}</extensions></trkpt>'
    stated = "".join(f"<w:{name}>{text}</w:{name}>" for name, text in written.items())
    head = f'<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" xmlns:w="{WORK_SPACE}"><trk><trkseg>'
    files = {"a.gpx": head + point.format(stated) + "</trkseg></trk></gpx>"}
    for header in (column.element, *column.headers.split()):
        names = [header.format(n=n) for n in range(1, 1 + len(written))]
        files[f"{header}.csv"] = f"time,lat,lon,{','.join(names)}\n1,52,-106,{','.join(written.values())}\n"
    for name, text in files.items():
        (tmp_path / name).write_text(text)
        kept = getattr(read_recording(tmp_path / name).main, column.name)
        assert kept.dtype == (bool if column.state else np.float64) and kept.tolist() == [value], name


@pytest.mark.parametrize("column", [one for one in TOOL_COLUMNS if one.length], ids=lambda one: one.name)
def test_a_length_is_read_in_the_unit_of_its_header(column, tmp_path):
    """650 in a column headed cm is 6.5 m, and it is said."""
    (tmp_path / "a.csv").write_text(f"time,lat,lon,{column.element} (cm)\n1,52,-106,650\n")
    read = read_recording(tmp_path / "a.csv")
    assert getattr(read.main, column.name).tolist() == [6.5]
    assert any("1 of it is 0.01 m" in str(note) for note in read.notes)


def test_the_readme_names_every_column():
    """A person who writes a table finds all that can be stated."""
    text = (ROOT / "README.md").read_text("utf-8")
    assert [column.name for column in TOOL_COLUMNS if f"`{column.element.format(n=1)}`" not in text] == []
