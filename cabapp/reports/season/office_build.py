"""Builds the office's folder; only what changed is written anew.

`pages.json` there keeps each job's account under the digest of all its pages are made of.
"""

import json
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

from cabapp.common.farm_format import FarmFormat, words_of
from cabapp.common.rendering import render
from cabapp.reports.export import gis_files as files
from cabapp.reports.export import spreadsheets
from cabapp.reports.export.job_export import stem
from cabapp.reports.export.output_file import write_output
from cabapp.reports.job.custom_work_page import custom_page
from cabapp.reports.job.harvest_page import harvest_sheet
from cabapp.reports.job.job_page import job_page
from cabapp.reports.job.write_job import write_job
from cabapp.reports.model.fuel_record import fills
from cabapp.reports.model.job_account import Account, account_of
from cabapp.reports.model.job_record import read_job, unless_held
from cabapp.reports.season.day_book import day_book
from cabapp.reports.season.home_page import home_page
from cabapp.reports.season.job_digest import fingerprints, shared
from cabapp.reports.season.landlord_page import landlords_page
from cabapp.reports.season.season_ledger import ledger_page
from cabapp.reports.season.season_plan import plan_page
from store import Store, models
from store.errors import Message, Refused

KEPT = "pages.json"
GPX_EVERY = 1.0
"""Seconds from fix to fix in the office's GPX: at 10 a second a season's would fill a stick."""


def build(
    store: Store, jobs: list, directory: Path, now: float, progress: Callable = lambda *_: None
) -> dict[str, Any]:
    """Write the office's pages and files; return how many jobs were ``written`` and all ``jobs``.

    Jobs that cannot be read are left out, and ``left_out`` are sentences that say so.
    Raises Refused: none can be read.

    Every job has a stint; `progress` is called with ``(done, of, text)``.

    Notes: What is kept of a job is written right after its last file, so an interrupted build goes on there.
    """
    directory = Path(directory)
    keys, (kept, all_before) = fingerprints(store, jobs), _kept(directory)
    fuel = fills(store)
    all_now = {"fuel": [fill.as_json() for fill in fuel], "shared": shared(store)}
    old = {job.id: kept[job.id] for job in jobs if _stands(kept.get(job.id), keys[job.id], directory)}
    done: dict[str, dict] = dict(old)
    held: list[Message] = []
    for gone in kept.keys() - keys.keys():  # its stints belong to another job now, of another season perhaps
        _forget(directory, kept[gone], [])
    for number, job in enumerate(job for job in jobs if job.id not in old):
        progress(number, len(jobs) - len(old), "jobs")
        made = unless_held(store, job, partial(_write, store, job, directory, now))
        if isinstance(made, Message):
            held.append(made)
            continue
        done[job.id] = {"key": keys[job.id], **made}
        _forget(directory, kept.get(job.id), done[job.id]["files"])
        write_output(directory, KEPT, json.dumps({"jobs": done, "all": all_before}))
    written = len(jobs) - len(old) - len(held)
    progress(written, written, "jobs")
    if jobs and not done:
        raise Refused(held[0])
    jobs = [job for job in jobs if job.id in done]
    figures = [{job: one.get("account") for job, one in found.items()} for found in (kept, done)]
    if figures[0] != figures[1] or all_before != all_now or not (directory / "index.html").exists():
        _of_all(store, [Account.from_json(done[job.id]["account"]) for job in jobs], directory, now, fuel)
        for season in _seasons(kept) - _seasons(done):
            _forget(directory, {"files": [f"season-{season}.html", f"landlords-{season}.html"]}, [])
        write_output(directory, KEPT, json.dumps({"jobs": done, "all": all_now}))
    # what comes first changes with the day, whether or not anything was written
    _plan(store, [Account.from_json(done[job.id]["account"]) for job in jobs], directory, now)
    said = [render(one, farm=_farm(store)[0]) for one in held]
    return {"written": written, "jobs": len(jobs)} | ({"left_out": said} if said else {})


def _write(store: Store, job, directory: Path, now: float) -> dict:
    record = read_job(store, job)
    name = stem(record)
    one = account_of(store, record, name)
    paths = write_job(store, record, directory, now, GPX_EVERY)
    one.sheets = [path.name for path in paths["hand_over"]]
    texts = {
        f"{name}-job.html": job_page(record, one, now),
        f"{name}-harvest.html": harvest_sheet(record, name, now),
        f"{name}-custom.html": custom_page(record, one, now),
    }
    made = [path.name for group in paths.values() for path in group]
    made += [write_output(directory, file, text).name for file, text in texts.items()]
    made += [path.name for path in files.counts(record, directory, name)]
    features = json.loads(paths["geojson"][0].read_text("utf-8"))["features"]
    made.append(files.geopackage(features, directory / f"{name}.gpkg").name)
    return {"account": one.as_json(), "files": made}


def _of_all(store: Store, accounts: list[Account], directory: Path, now: float, fuel: list) -> None:
    fmt, name = _farm(store)
    write_output(directory, "day-book.html", day_book(accounts, fmt, name, now))
    seasons = sorted({one.season for one in accounts}, reverse=True)
    for season in seasons:
        of = [one for one in accounts if one.season == season]
        write_output(directory, f"season-{season}.html", ledger_page(of, season, fmt, name, now, fuel))
        if any(one.parts for one in of):
            write_output(directory, f"landlords-{season}.html", landlords_page(of, season, fmt, name, now))
    made = spreadsheets.write_all(accounts, fmt, directory, fuel)
    write_output(directory, "index.html", home_page(accounts, fmt, name, now, seasons, made))


def _plan(store: Store, accounts: list[Account], directory: Path, now: float) -> None:
    fmt, name = _farm(store)
    season = max(one.season for one in accounts)
    write_output(directory, "plan.html", plan_page(store, accounts, season, fmt, name, now))


def _farm(store: Store) -> tuple[FarmFormat, str]:
    """Return the farm's formats and its name."""
    farms = store.all(models.Farm)
    farm = farms[0] if farms else None
    return words_of(farm), farm.name if farm else "Field logs"


def _kept(directory: Path) -> tuple[dict, object]:
    """Return what is kept of each job, and what the pages of all jobs were made of."""
    try:
        kept = json.loads((directory / KEPT).read_text("utf-8"))
    except (OSError, ValueError):
        return {}, None
    jobs = kept.get("jobs") if isinstance(kept, dict) else None
    if not isinstance(jobs, dict):
        return {}, None
    return {job: one for job, one in jobs.items() if isinstance(one, dict)}, kept.get("all")


def _forget(directory: Path, was, files: list[str]) -> None:
    """Remove a job's pages under the name the field had before, or all where there is no such job any more."""
    before = was.get("files", []) if isinstance(was, dict) else []
    for name in set(before) - set(files):
        if Path(name).name == name:
            (directory / name).unlink(missing_ok=True)


def _seasons(jobs: dict) -> set[int]:
    """Return the seasons of what is kept of jobs."""
    accounts = [one["account"] for one in jobs.values() if isinstance(one.get("account"), dict)]
    return {one["season"] for one in accounts if isinstance(one.get("season"), int)}


def _stands(one, key: str, directory: Path) -> bool:
    """Return whether a job's pages are up to date and all there."""
    return (
        isinstance(one, dict) and one.get("key") == key
        and all((directory / name).exists() for name in one.get("files", [KEPT]))
    )  # fmt: skip
