"""One judge of values: every column of every table, walked through every door; all doors give its verdict."""

from typing import get_type_hints

import pytest
from sqlalchemy import JSON, Boolean, Integer, LargeBinary

from cabapp.commands.records import correct, edit
from cabapp.common.units import Units
from cabapp.jobs.records.corrections import COLUMNS, ID, SECTIONS, Corrections
from cabapp.jobs.records.tap_kinds import TAP_KINDS, TapRefused
from cabapp.screens.setup.form_fields import FORMS, TYPED, FormRefused, per_typed, value_of
from cabapp.session.handover import sheet_builder
from cabapp.track.tool import ToolGeometry
from store.errors import Refused
from store.facts.reference_changes import all_fit, own_columns
from store.models import ENROLMENT_STATES, FACTS, REFERENCES, Correction, EnrolmentState
from store.values.value_judge import RULES, NumberRule, TextRule, ValueRefused, fits, limits
from sync import enrolment
from sync.device_trust import RollEntry
from tests.session.odd_records import ANYTHING, Sound, values_of

METRIC = Units("metric")
TABLES = REFERENCES | FACTS
JUDGED_ELSEWHERE = {
    "field": {"boundary", "once_only"}, "parcel": {"boundary"}, "farm": {"closing_rules", "go_rules"}, "tap": {"detail"},
    "hand_over": {"sheet"}, "correction": {"detail"}, "change": {"columns"},
}  # fmt: skip
"""Columns of JSON: boundary_judge, emergence, go_rules, tap_kinds, the readers of sheets, Corrections, and this judge."""
DOORS = {"put", "add", "edit", "form", "correct", "read", "corrected"}


def judged(table):
    return [(name, column) for name, column in own_columns(TABLES[table]).items() if name in RULES[table]]


def tried(table, name):
    """Return values of a column right in form: those of its type, and those about its limits."""
    column = own_columns(TABLES[table])[name]
    values = [value for value in values_of(column) if value is not None]
    rule = RULES[table][name]
    if isinstance(rule, NumberRule):
        span = (rule.high - rule.low) or 1
        about = [rule.low, rule.high, rule.low - span / 100, rule.high + span / 100, (rule.low + rule.high) / 2]
        values += [round(one) for one in about] if isinstance(column.type, Integer) else [float(one) for one in about]
    if isinstance(rule, TextRule):
        values += ["a" * rule.longest, "a" * (rule.longest + 1), "Grüße", "ที่นา"]
    else:
        values += ["us", "metric", "America/Chicago", "fine"] if isinstance(column.type.python_type(), str) else []
    return [value for value in values if all_fit(column, (value,))]


def test_every_column_has_a_judge():
    """No column is without a rule but ids, flags, bytes and those whose JSON has a judge of its own."""
    assert RULES.keys() == TABLES.keys()
    for table, model in TABLES.items():
        free = {
            name for name, column in own_columns(model).items()
            if column.foreign_keys or isinstance(column.type, (Boolean, JSON, LargeBinary))
        }  # fmt: skip
        assert own_columns(model).keys() - free == RULES[table].keys(), table
        of_json = {name for name, column in own_columns(model).items() if isinstance(column.type, JSON)}
        assert of_json == JUDGED_ELSEWHERE.get(table, set()), table


@pytest.mark.parametrize("table", TABLES)
def test_the_store_gives_the_judges_verdict(table, store, run, drive_rows):
    """`put` and `add` take what the judge takes and refuse in a sentence what it refuses, writing nothing."""
    if table in ("change", "trace_chunk", "enrolment", "retirement"):
        return  # written by the store and by sync themselves
    busy(run, drive_rows)
    model, sound = TABLES[table], Sound(store)
    for name, _ in judged(table):
        for value in tried(table, name):
            columns = sound.columns(model) | {name: value}
            try:
                if table == "farm":
                    store.put(model, store.all(model)[0].id, **{name: value})
                elif table in REFERENCES:
                    store.put(model, key_of(table, sound, columns), **columns)
                else:
                    store.add(model(**columns))
                taken = True
            except ValueRefused as refusal:
                taken = False
                assert name in str(refusal) and len(str(refusal)) < 400
            assert taken == fits(table, name, value), (name, value)


def key_of(table, sound, columns):
    """A job's id follows from its columns; other rows are edited."""
    return None if table == "job" else sound.rows[table].id if sound.rows[table] is not None else None


def busy(run, drive_rows):
    """Write a stint with taps, a mark and fuel."""
    day = run(drive_rows([-40.0]))
    day.take_over()
    day.session.tap("start")
    day.session.tap("mark", kind="rock")
    day.session.tap("fuel", litres=50.0)
    day.session.tap("stop", reason="fuel")
    day.session.hand_over(day.session.prepare_hand_over())
    day.session.close()


@pytest.mark.parametrize("kind", edit.KINDS)
def test_edit_gives_the_judges_verdict(kind):
    """What is typed to `edit` is taken or refused as the judge says."""
    model = edit.KINDS[kind]
    table = model.__tablename__
    row = model(name="x", width_m=6.0) if hasattr(model, "width_m") else model()
    for name in set(edit.COLUMNS[kind]) & RULES[table].keys() - {"sections"}:
        for value in tried(table, name):
            text = repr(value) if isinstance(value, float) else str(value)
            if text != text.strip() or not text:
                continue  # blanks at the ends are no part of what is typed
            try:
                taken = edit._column_value(f"{name}={text}", edit.COLUMNS[kind], row) == (name, value)
            except Refused:
                taken = False
            assert taken == fits(table, name, value), (name, value)


@pytest.mark.parametrize("form", FORMS)
def test_set_up_gives_the_judges_verdict(form):
    """What is typed in a form of set-up is taken or refused as the judge says."""
    for line in FORMS[form].lines:
        if line.kind not in TYPED | {"text", "digits"}:
            continue
        assert line.table == FORMS[form].model.__tablename__
        for value in tried(line.table, line.column):
            if value == "":
                continue  # nothing typed is nothing known
            typed = repr(value / per_typed(line.kind, METRIC)) if line.kind in TYPED else value
            try:
                value_of(line, typed, METRIC)
                taken = True
            except FormRefused as refusal:
                taken = False
                assert len(str(refusal)) < 300
            assert taken == fits(line.table, line.column, value), (line.column, value)


@pytest.mark.parametrize("table", COLUMNS)
def test_corrections_get_the_judges_verdict(table, store, run, drive_rows):
    """`correct` refuses, and a reader of corrections passes over, what the judge refuses."""
    busy(run, drive_rows)
    model = TABLES[table]
    row = store.all(model)[0]
    for name, of in COLUMNS[table].items():
        if of in (ID, SECTIONS):
            continue
        for value in tried(table, name):
            made = store.add(
                Correction(corrects_table=table, corrects_id=row.id, at=1.0, reason="a test", detail={name: value})
            )
            said = Corrections(store).said(row.id).get(name)
            assert (said == value) == fits(table, name, value), (name, value)
            if isinstance(value, float) and name != "at":
                try:
                    taken = correct._detail(store, model, row, [f"{name}={value!r}"])[name] == value
                except Refused:
                    taken = False
                assert taken == fits(table, name, value), (name, value, made)


@pytest.mark.parametrize("table", TABLES)
def test_what_is_read_is_what_the_judge_takes(table, store, run, drive_rows):
    """Whatever lies in a table, each row read has values the judge takes, and says when a measure is not known."""
    busy(run, drive_rows)
    model = TABLES[table]
    if not (rows := store.all(model, **({"gone": False} if table in REFERENCES else {}))):
        return
    id = rows[0].id
    for name, column in judged(table):
        for value in tried(table, name):
            with store.writing() as session:
                session.execute(model.__table__.update().where(model.__table__.c.id == id).values({name: value}))
            read = store.get(model, id)
            assert fits(table, name, getattr(read, name)), (name, value)
            if fits(table, name, value):
                half = name.endswith(("lat", "lon")) and getattr(read, name) is None
                assert half or getattr(read, name) == value
            elif not column.nullable and isinstance(RULES[table][name], NumberRule) and RULES[table][name].measure:
                assert name in read.odd or table in REFERENCES


@pytest.mark.parametrize("kind", TAP_KINDS)
def test_taps_are_read_by_the_bounds_they_are_made_by(kind):
    """What a tap of a kind takes is read again, and what it refuses would not be."""
    values = TAP_KINDS[kind].values
    for one in values:
        for value in (*ANYTHING, one.low, one.high, *one.choices):
            if one.many and not isinstance(value, list):
                continue
            try:
                kept = one.check(value)
            except TapRefused:
                assert not one.keeps(value), (one.name, value)
            else:
                assert one.keeps(kept) or not (one.refusal or one.flag), (one.name, value)


def test_whatever_the_judge_takes_is_a_tool():
    """The geometry of a tool takes each width and hitching that the judge takes."""
    columns = ("width_m", "hitch_to_line_m", "antenna_to_hitch_m", "side_m")
    for table in ("stint", "hitching"):
        for end in (0, 1):
            ToolGeometry(*(limits(table, name)[end] for name in columns))


def test_the_judge_knows_every_word_that_the_program_writes():
    """The words of the roll and of a sheet are those that their writers have; mypy holds sync.enrolment to the first."""
    assert RULES["enrolment"]["state"].choices == ENROLMENT_STATES
    assert RULES["hand_over"]["state"].choices == tuple(sheet_builder.STATES)
    assert get_type_hints(enrolment._write)["state"] == EnrolmentState == get_type_hints(RollEntry)["state"]
