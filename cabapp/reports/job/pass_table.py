"""Straightness of each pass and its distance from the one beside it.

Passes have no names and times: the page is about the ground, not about an operator.
"""

import numpy as np

from cabapp.counting.spacing import Pass, pass_spacing
from cabapp.reports.model.job_record import JobRecord
from cabapp.reports.render.html_tables import Table

MOST = 60
"""Lines on the page; the number of those left out stands beside."""


def passes_table(record: JobRecord) -> Table | None:
    """Return the straight passes of a job; None where there is none."""
    units, aim = record.format.units, record.stints[0].row.width_m / record.job.target if record.stints else 0.0
    found = pass_spacing(record.count.pieces(), aim) if aim > 0 else None
    if found is None or not found.passes:
        return None
    apart = {one.at: one.metres for one in found.spacings}
    ordered = across_the_field(found.passes)
    rows = [
        [str(n), units.distance(one.length), units.length(one.rms), units.length(apart.get(one.end))]
        for n, one in enumerate(ordered[:MOST], 1)
    ]
    straight = np.median([one.rms for one in found.passes])
    middle = ["middle", "", units.length(straight), units.length(np.median(list(apart.values())) if apart else None)]
    note = "in order across the field, without names; sideways error against the line of best fit"
    if len(ordered) > MOST:
        note += f"; {len(ordered) - MOST} more are left out"
    heads = [("pass", ""), ("length", "n"), ("sideways error", "n"), ("from the pass beside it", "n")]
    return Table("How straight", heads, rows, [middle], note, "passes")


def across_the_field(passes: tuple[Pass, ...]) -> list[Pass]:
    """Return passes by heading, to 15 degrees and there as back, and within that across the field."""

    def place(one):
        lane = round(one.heading % np.pi / np.deg2rad(15.0)) % 12
        way = lane * np.deg2rad(15.0)
        return lane, one.y * np.cos(way) - one.x * np.sin(way)

    return sorted(passes, key=place)
