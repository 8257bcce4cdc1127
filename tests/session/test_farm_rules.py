"""What stops the work and what closes ground, as the farm set it, and what a restart must remember."""

import pytest

from cabapp.__main__ import main
from cabapp.common.clock import ManualClock
from cabapp.jobs.fields.season_history import crop_clock
from cabapp.jobs.records.farm_settings import farm_crops, farm_goes
from cabapp.planning.emergence import CROPS, DAY
from cabapp.planning.go_rules import GoRules
from cabapp.session import Session
from store import open_store
from store.models import Farm, Field, Tap, Tool

T0 = 1_779_000_000.0


def edit(store, *words):
    """Run `rollbook edit` on the logbook of a test."""
    return main(["edit", "--store", str(store.path), *words])


def test_the_office_sets_the_rules_and_the_session_keeps_them(store, run, drive_rows):
    """Set by `rollbook edit`: from 6 mph of wind the work stops, and wet ground no longer stops it."""
    day = run(drive_rows([-100]))
    assert edit(store, "farm", 'go_rules={"wind_m_s": 2.7, "ignore": ["wet"]}') == 0
    day = run(drive_rows([-100]))
    day.take_over()
    day.session.tap("look_first", wet=True)
    day.session.tap("weather", wind=2.8)
    day.until(T0 + 10.0)
    day.session.tap("start")
    sentence = day.on(5.0)[-1].sentence
    assert (sentence.rank, sentence.act_now) == (3, True)
    assert str(sentence.words) == "Wind 6.3 mph: soil may blow from 6.0 mph on. Stop until it drops."
    day.session.tap("weather", wind=2.0)
    assert day.on(5.0)[-1].sentence is None


def test_the_office_sets_the_sections_of_a_tool(store, ids, capsys):
    """In feet or metres from the left, or how many equal ones; together they are the width of the tool (12 m)."""
    for typed, kept in (("20ft, 2.904m, 3m", "6.096,2.904,3"), ("4", "3,3,3,3"), ("", None)):
        assert edit(store, "tool", "Roller", f"sections={typed}") == 0
        assert store.get(Tool, ids.roller).sections == kept
    for wrong, why in (
        ("6 5", "36 ft together"), ("a b", "are no sections"), ("0", "1 to 96"), ("12 -3 3", "1 to 96"), ("97", "1 to 96"),
    ):  # fmt: skip
        assert edit(store, "tool", "Roller", f"sections={wrong}") == 1
        assert why in capsys.readouterr().err
    assert store.get(Tool, ids.roller).sections is None


def test_without_rules_of_its_own_a_farm_has_the_strictest(store, run, drive_rows):
    """The same wind and wet ground: wet stops, 6 mph does not."""
    day = run(drive_rows([-100]))
    day.take_over()
    day.session.tap("weather", wind=2.8)
    day.until(T0 + 10.0)
    day.session.tap("start")
    assert day.on(5.0)[-1].sentence is None
    day.session.tap("look_first", wet=True)
    assert str(day.on(5.0)[-1].sentence.words).startswith("The surface was wet")


def test_heat_stops_only_on_a_crop_that_is_up(store, ids, run, drive_rows):
    """31 deg C: silence on bare ground; over lentils seeded 60 days ago it says to stop."""
    store.put(Field, id=ids.field, crop="lentil")
    day = run(drive_rows([-100]))
    day.take_over()
    day.session.tap("weather", air=31.0)
    day.until(T0 + 10.0)
    day.session.tap("start")
    assert day.on(5.0)[-1].sentence is None
    day.session.tap("stop", reason="other")
    day.session.tap("seeded", days_ago=60)
    day.session.tap("restart")
    assert str(day.on(5.0)[-1].sentence.words).startswith("88 °F in the air: from 77 °F on")


def test_weather_told_three_hours_ago_is_not_that_of_now(store, run, drive_rows):
    """A gale told in the morning does not stop her after noon."""
    day = run(drive_rows([-100], start=T0 + 11_000.0))
    day.take_over()
    day.session.tap("weather", wind=20.0)
    day.tick = 60.0
    day.until(T0 + 11_020.0)
    day.session.tap("start")
    assert "Wind" not in (day.on(2.0)[-1].sentence or type("", (), {"words": ""})).words


def test_the_farm_s_closing_rule_moves_the_field_s_day(store, ids, run):
    """A crop of the farm's own wording and a safety day less: the list of fields closes it two days later."""
    store.put(Field, id=ids.field, crop="lentil")
    day = run()
    day.take_over()
    day.session.tap("seeded", days_ago=3)
    field = store.get(Field, ids.field)
    before = crop_clock(store, field, 2026, T0)[0]
    assert edit(store, "farm", 'closing_rules={"lentil": {"safety_days": 1}}') == 0
    assert crop_clock(store, field, 2026, T0)[0] - before == pytest.approx(2 * DAY)
    shown = next(one for one in day.session.choices().fields if one.id == ids.field)
    assert shown.closes - before == pytest.approx(2 * DAY)


@pytest.mark.parametrize(
    ("wrong", "why"),
    [
        ('go_rules={"rain": 1}', "cannot be that"),
        ("go_rules=15", "cannot be that"),
        ('closing_rules={"pea": 3}', "cannot be that"),
        ("closing_rules={", "are written as JSON, in braces"),
    ],
)
def test_rules_that_cannot_be_are_refused(store, capsys, wrong, why):
    """The office is told what is wrong, and nothing is changed."""
    assert edit(store, "farm", wrong) == 1
    assert why in capsys.readouterr().err
    assert store.all(Farm)[0].go_rules is None and store.all(Farm)[0].closing_rules is None


def test_spoilt_rules_leave_the_program_s_own(store, caplog):
    """Rules of a newer version that cannot be read here stop nothing from working; the log says why, in a line each."""
    farm = store.all(Farm)[0]
    store.put(Farm, id=farm.id, go_rules={"rain": 1}, closing_rules={"pea": 3})
    assert farm_goes(store) == GoRules() and farm_crops(store) == CROPS
    assert len(caplog.records) == 2 and not any(one.exc_info for one in caplog.records)


def test_a_tool_greased_at_this_stop_is_known_after_a_restart(store, run):
    """The tap is in the logbook, so a session opened anew knows that it was greased."""
    day = run()
    day.take_over()
    day.session.tap("start")
    day.on(10.0)
    day.session.tap("stop", reason="grease")
    assert day.session.view.greased_at is None
    day.session.tap("grease")
    again = Session(store, ManualClock(T0 + 100.0), None)
    assert again.view.stop_reason == "grease"
    assert again.view.greased_at >= again.view.since
    (tap,) = store.all(Tap, kind="grease")
    assert again.view.greased_at == tap.at


def test_her_pace_of_before_is_known_at_the_start(run, store, drive_rows, stocked):
    """After half an hour and a stop the next stint knows from its first minute when it will end."""
    fixes = drive_rows([-140.0 + 6 * k for k in range(14)], hz=0.5, west=-194.0, east=194.0)
    day = run(fixes, tick=10.0)
    day.take_over()
    assert day.session.view.finish_at is None
    day.until(T0 + 10.0)
    day.session.tap("start")
    day.until(T0 + 10.0 + 31 * 60)
    day.session.tap("finish")
    paces = next(tap.detail["paces"] for tap in store.all(Tap, kind="finish"))
    assert len(paces) == 3 and all(20 < one < 31 for one in paces)
    day.on(12.0)
    day.take_over()
    assert day.session.view.finish_at is not None
    with open_store(store.path) as read:
        assert read.all(Tap, kind="finish")[0].detail["share_left"] < 1.0
