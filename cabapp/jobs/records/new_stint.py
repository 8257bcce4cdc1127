"""Writes the job and stint rows at take-over."""

from cabapp.common.message import N_
from cabapp.jobs.records.farm_settings import FarmSettings
from cabapp.jobs.records.stint_state import TapRefused
from store import Store
from store.models import Field, Hitching, Job, Operator, Stint, Tool, Tractor, job_id
from store.values.value_judge import sound_text


def open_stint(
    store: Store, ways: FarmSettings, at: float, receiver: str | None,
    operator_id: str, tractor_id: str, tool_id: str, field_id: str, operation: str,
) -> Stint:  # fmt: skip
    """Write the job (if it is new) and the stint with its hitching; return the stint.

    Raises TapRefused: somebody or something chosen is not in this logbook.
    """
    tool, field = store.get(Tool, tool_id), store.get(Field, field_id)
    chosen = (
        (store.get(Operator, operator_id), N_("That operator is not in this logbook. Choose another.")),
        (store.get(Tractor, tractor_id), N_("That tractor is not in this logbook. Choose another.")),
        (tool, N_("That tool is not in this logbook. Choose another.")),
        (field, N_("That field is not in this logbook. Choose another.")),
    )
    for row, refusal in chosen:
        if row is None:
            raise TapRefused(refusal)
    assert tool is not None and field is not None
    job = _job(store, field, operation, ways.local(at).year)
    hitching = hitching_of(store, tractor_id, tool_id)
    return store.add(
        Stint(
            job_id=job.id, operator_id=operator_id, tractor_id=tractor_id, tool_id=tool_id,
            width_m=width_of(tool, hitching),
            hitch_to_line_m=hitching.hitch_to_line_m if hitching else 0.0,
            antenna_to_hitch_m=hitching.antenna_to_hitch_m if hitching else 0.0,
            side_m=hitching.side_m if hitching else 0.0,
            receiver=receiver and sound_text("stint", "receiver", receiver), at=at, sections=tool.sections,
        )
    )  # fmt: skip


def _job(store: Store, field: Field, operation: str, season: int) -> Job:
    job = store.get(Job, job_id(field.id, operation, season))
    if job is None:
        # a field's target is how often it is rolled; other work goes over it once (common practice)
        target = field.target if operation == "rolling" else 1
        job = store.put(Job, field_id=field.id, operation=operation, season=season, target=target)
    return job


def job_in_season(store: Store, job: Job, season: int) -> Job:
    """Return the same work on the same field in another season, written if it is new."""
    field = store.get(Field, job.field_id)
    return job if field is None else _job(store, field, job.operation, season)


def width_of(tool: Tool, hitching: Hitching | None) -> float:
    """Return the width a tool works with, m; TapRefused where it is not known."""
    if hitching is not None:
        return hitching.width_m
    if tool.odd:
        raise TapRefused("The width of {tool} is not known. Write it down in set-up.", tool=tool.name)
    return tool.width_m


def hitching_of(store: Store, tractor_id: str, tool_id: str) -> Hitching | None:
    """Return the newest hitching written down for a tractor with a tool."""
    pairs = [one for one in store.all(Hitching, tractor_id=tractor_id, tool_id=tool_id) if not one.odd]
    return pairs[-1] if pairs else None
