"""A digest of all that a job's pages are made of: equal digests, equal pages."""

import hashlib
import json
from collections import defaultdict
from pathlib import Path

from sqlalchemy import select

import cabapp
from store import Store, models

_PEOPLE = (models.Operator, models.Tractor, models.Tool)


def fingerprints(store: Store, jobs: list) -> dict[str, str]:
    """Return for each job, by id, a digest of everything its pages are made of, the program included.

    Facts are never altered, so their ids stand for them; reference rows count by their columns.
    """
    facts, people, same, common = _facts(store)
    found = {}
    for job in jobs:
        mine = [job.id, *facts[job.id], job.field_id, *facts[job.field_id]]
        for other in same[job.field_id, job.season, "seeding"]:
            mine += [other, *facts[other]]
        for _ in range(3):  # a stint's taps, their corrections, who is named in those
            mine = sorted({*mine, *(one for fact in mine for one in facts[fact])})
        said = [people[one] for one in mine if one in people]
        text = "\n".join([*common, *mine, *said])
        found[job.id] = hashlib.sha256(text.encode("utf-8", "replace")).hexdigest()
    return found


def shared(store: Store) -> str:
    """Return a digest of what the pages of all jobs share: the program and the farm's row."""
    with store.session() as session:
        farm = [_columns(row) for row in session.scalars(select(models.Farm))]
    return hashlib.sha256("\n".join([_program(), *farm]).encode("utf-8", "replace")).hexdigest()


def _facts(store: Store) -> tuple[dict, dict, dict, list[str]]:
    """Ids by the id they belong to; reference rows in words by id; jobs alike; what all share."""
    facts: dict[str, list[str]] = defaultdict(list)
    same: dict[tuple, list[str]] = defaultdict(list)
    with store.session() as session:
        for row in session.scalars(select(models.Job)):
            same[row.field_id, row.season, row.operation].append(row.id)
        for row in session.scalars(select(models.Stint)):
            facts[row.job_id].append(row.id)
            facts[row.id] += [row.operator_id, row.tractor_id, row.tool_id]
        for of in (models.Tap, models.TraceChunk, models.FuelEntry):
            for stint, row in session.execute(select(of.stint_id, of.id)):
                facts[stint].append(row)
        for stint, n in session.execute(select(models.TraceTail.stint_id, models.TraceTail.n)):
            facts[stint].append(f"{stint} tail {n}")
        for job, row in session.execute(select(models.HandOver.job_id, models.HandOver.id)):
            facts[job].append(row)
        for field, row in session.execute(select(models.Mark.field_id, models.Mark.id)):
            facts[field].append(row)
        for parcel in session.scalars(select(models.Parcel)):
            facts[parcel.field_id].append(parcel.id)
        for row in session.scalars(select(models.HandOverReceipt)):
            facts[row.hand_over_id] += [row.id, row.operator_id]
        for row in session.scalars(select(models.Correction)):
            named = [value for value in (row.detail or {}).values() if isinstance(value, str)]
            facts[row.corrects_id] += [row.id, row.operator_id or "", *named]
            for moved_to in named if row.corrects_table == "stint" else ():
                facts[moved_to].append(row.corrects_id)
        people = {
            row.id: _columns(row)
            for of in (*_PEOPLE, models.Field, models.Parcel, models.Job)
            for row in session.scalars(select(of))
        }
        farm = [_columns(row) for row in session.scalars(select(models.Farm))]
    return facts, people, same, [_program(), *farm]


def _columns(row) -> str:
    return json.dumps([getattr(row, c.key) for c in type(row).__table__.columns], default=str)


def _program() -> str:
    """A digest of this program: pages of an older one are written anew."""
    digest = hashlib.sha256()
    for path in sorted(Path(cabapp.__file__).parent.rglob("*")):
        if path.suffix in (".py", ".html", ".css", ".js") and "screens" not in path.parts:
            digest.update(path.read_bytes())
    return digest.hexdigest()
