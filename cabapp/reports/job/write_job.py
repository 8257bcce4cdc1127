"""Writes the pages and files of one job."""

import contextlib
from pathlib import Path

from cabapp.reports.export.job_export import job_geojson, job_gpx, stem
from cabapp.reports.export.output_file import write_output
from cabapp.reports.job.field_log import field_log
from cabapp.reports.job.hand_over_page import hand_over_sheet
from cabapp.reports.model.job_record import JobHeld, JobRecord, read_job
from store import Store


def write_job(
    store: Store, record: JobRecord, directory: Path, now: float, every: float = 0.0
) -> dict[str, list[Path]]:
    """Write field log, hand-over sheets, GPX and GeoJSON of a job; return the paths by these kinds.

    GPX has a fix each `every` seconds, as in `job_gpx`; each sheet shows the field as it was then.
    """
    name = stem(record)
    sheets = []
    for k, (row, receipts) in enumerate(record.hand_overs, 1):
        with contextlib.suppress(JobHeld):  # said on the other pages
            then = read_job(store, record.job, row)
            sheets.append((f"{name}-hand-over-{k}.html", hand_over_sheet(then, row, receipts, now)))
    return {
        "log": [write_output(directory, f"{name}.html", field_log(record, now))],
        "hand_over": [write_output(directory, file, text) for file, text in sheets],
        "gpx": [write_output(directory, f"{name}.gpx", job_gpx(record, every))],
        "geojson": [write_output(directory, f"{name}.geojson", job_geojson(record))],
    }
