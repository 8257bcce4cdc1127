"""A day recorded by any logger: cut into fields, guessed, agreed to, written."""

import itertools
import json
import re
from datetime import UTC, datetime

import numpy as np
import pytest
from shapely.geometry import box

from cabapp.__main__ import main
from cabapp.common.clock import ManualClock
from cabapp.jobs.imports.day_import import Agreed, bring_in_agreed
from cabapp.jobs.imports.recorded_day import look_at
from cabapp.jobs.records import stint_state
from cabapp.jobs.records.stint_reader import read_stint
from cabapp.jobs.records.tap_log import taps_of
from cabapp.position.recordings.trace_reader import read_recording
from cabapp.session import Session
from cabapp.track.activity import guess
from store.models import Field, Stint

T0 = 1_779_000_000.0
WEST, MIDDLE, EAST = box(-900, -100, -500, 100), box(-300, -100, 300, 100), box(500, -100, 900, 100)


class Drive:
    """A machine's day, told second by second, with what it truly did."""

    def __init__(self):
        self.places, self.truth = [(-1500.0, 0.0)], ["standing"]

    def to(self, x, y, speed, what):
        (x0, y0), far = self.places[-1], np.hypot(x - self.places[-1][0], y - self.places[-1][1])
        for k in range(1, max(1, round(far / speed)) + 1):
            share = k / max(1, round(far / speed))
            self.places.append((x0 + (x - x0) * share, y0 + (y - y0) * share))
            self.truth.append(what)

    def stand(self, seconds, what="standing"):
        self.places += [self.places[-1]] * seconds
        self.truth += [what] * seconds

    def work(self, west, east, rows, first=-84.0):
        """Passes 12 m apart, turning in half circles inside the field."""
        for n in range(rows):
            y, ends = first + 12.0 * n, (west + 20, east - 20)
            a, b = ends if n % 2 == 0 else ends[::-1]
            if n == 0:
                self.to(a, y, 5.0, "travelling")
            self.to(b, y, 2.5, "working")
            if n < rows - 1:
                side = 1 if n % 2 == 0 else -1
                for angle in np.linspace(0, np.pi, 9)[1:]:
                    self.places.append((b + side * 6 * np.sin(angle), y + 6 - 6 * np.cos(angle)))
                    self.truth.append("turning")


@pytest.fixture(scope="module")
def day():
    """Yard, field west with a pause of five minutes in it, straight through the middle, field east."""
    drive = Drive()
    drive.stand(600)
    drive.to(-950, -84, 8.0, "travelling")
    drive.work(-900, -500, 5)
    drive.stand(300)
    drive.work(-900, -500, 5, first=0.0)
    drive.to(-450, 0, 8.0, "travelling")
    drive.to(450, 0, 8.0, "travelling")
    drive.work(500, 900, 8)
    drive.to(1500, 0, 8.0, "travelling")
    drive.stand(120)
    return drive


def noisy(day, noise=0.3, seed=1):
    places = np.array(day.places)
    # a receiver's error wanders: neighbours in time share most of it
    steps = np.random.default_rng(seed).normal(0, noise, places.shape)
    wander = np.zeros_like(steps)
    for n in range(1, len(steps)):
        wander[n] = 0.98 * wander[n - 1] + 0.2 * steps[n]
    return T0 + np.arange(len(places)), places + wander


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_what_was_done_is_guessed_nearly_always(day, seed):
    """Of a day with known work, at least 96 s of 100 are guessed right; of each kind but turning, 90."""
    t, xy = noisy(day, seed=seed)
    stretches, visits = guess(t, xy, [WEST, MIDDLE, EAST])
    guessed = np.empty(len(t), dtype=object)
    for stretch in stretches:
        guessed[stretch.first : stretch.last + 1] = stretch.kind
    truth = np.array(day.truth, dtype=object)
    assert np.mean(guessed == truth) > 0.96
    for kind in ("working", "travelling", "standing"):
        assert np.mean(guessed[truth == kind] == kind) > 0.9, kind
    assert [(v.field, bool(v.spells)) for v in visits] == [(0, True), (1, False), (2, True)]
    west, _, east = visits
    assert (west.runs, east.runs) == (10, 8)
    assert len(west.spells) == 2  # the pause parts it
    assert len(east.spells) == 1


def test_stretches_leave_no_hole(day):
    """Every fix is in exactly one stretch."""
    t, xy = noisy(day)
    stretches, _ = guess(t, xy, [WEST, MIDDLE, EAST])
    assert [s.first for s in stretches] == [0, *(s.last + 1 for s in stretches[:-1])]
    assert stretches[-1].last == len(t) - 1


@pytest.mark.parametrize("away, visits_west", [(1800, 1), (8 * 3600, 2)])
def test_time_without_a_record_is_unknown_not_work(day, away, visits_west):
    """Half an hour without a fix parts the work and is told as unknown; a night parts the stay."""
    t, xy = noisy(day)
    middle = 1000
    t = np.where(np.arange(len(t)) > middle, t + away, t)
    stretches, visits = guess(t, xy, [WEST, MIDDLE, EAST])
    west = [visit for visit in visits if visit.field == 0]
    assert len(west) == visits_west
    unseen = [one for one in stretches if one.kind == "unknown"]
    assert [t[one.last + 1] - t[one.first] for one in unseen] == pytest.approx([1 + away])
    worked = sum(b - a for visit in west for a, b in visit.spells)
    assert worked == pytest.approx(10 * 144 + 8 * 8, rel=0.1)


@pytest.fixture
def recorded(day, sea_farm, sea_place, tmp_path):
    """The day as a CSV file, and the fields in the logbook."""
    store = sea_farm.store
    for name, ground in (("West", WEST), ("Middle", MIDDLE), ("East", EAST)):
        ring = [sea_place(*corner)[::-1] for corner in ground.exterior.coords]
        store.put(Field, name=name, boundary={"type": "Polygon", "coordinates": [[list(c) for c in ring]]})
    store.put(Field, id=sea_farm.field, name="North", boundary=None)
    t, xy = noisy(day)
    rows = [f"{a},{sea_place(*p)[0]:.8f},{sea_place(*p)[1]:.8f},4,0.87" for a, p in zip(t, xy)]
    path = tmp_path / "day.csv"
    path.write_text("time,lat,lon,quality,hdop\n" + "\n".join(rows))
    store.close()
    return path


def bring(recorded, tmp_path, *more):
    return main(["bring", str(recorded), "--store", str(tmp_path / "logbook.sqlite"), *more])


def test_the_command_lists_and_writes_nothing_unasked(recorded, tmp_path, capsys, monkeypatch):
    """Without --yes and without a terminal the guesses are listed and nothing is written."""
    assert bring(recorded, tmp_path) == 0
    said = capsys.readouterr().out
    assert "1. West, " in said and "10 passes" in said and "2. East, " in said
    assert "Only crossed or visited: Middle." in said
    assert "Nothing was written" in said


def test_what_is_written_counts_like_work_driven_live(recorded, tmp_path, capsys):
    """With --yes two finished stints stand in the logbook, guessed taps and trace, and cover ground."""
    from store import open_store

    assert bring(recorded, tmp_path, "--yes", "--json") == 0
    written = json.loads(capsys.readouterr().out)["written"]
    assert len(written) == 2
    with open_store(tmp_path / "logbook.sqlite") as store:
        west = store.get(Stint, written[0]["stint"])
        taps = taps_of(store, west.id)
        assert [tap.kind for tap in taps] == ["start", "stop", "restart", "stop", "finish"]
        assert all(tap.detail == {"guessed": True} for tap in taps)
        assert stint_state.stint_state(west.at, taps).state == "finished"
        assert store.check() == []
        assert set(store.read_trace(west.id).hdop) == {0.87}
        # the next stint on this field stands on what was brought in
        session = Session(store, ManualClock(T0 + 86400.0))
        session.take_over(west.operator_id, west.tractor_id, west.tool_id, store.all(Field, name="West")[0].id)
        tally = session.job.area_totals()
        # ten passes of 360 m by 12 m, and the turns between
        assert tally.pass_area == pytest.approx(10 * 360 * 12, rel=0.1)
        session.close()


def test_the_same_day_is_not_brought_twice(recorded, tmp_path, capsys):
    """Bringing the same recording again is refused, and no row is added."""
    from store import open_store

    assert bring(recorded, tmp_path, "--yes") == 0
    assert bring(recorded, tmp_path, "--yes") == 1
    assert "in this logbook already" in capsys.readouterr().err
    with open_store(tmp_path / "logbook.sqlite") as store:
        assert len(store.all(Stint)) == 2


def test_the_same_day_brought_on_two_tablets_counts_once(recorded, tmp_path, capsys):
    """A backup put into another tablet, and the day brought on both before they meet: one of the two counts, the same on both."""
    from cabapp.reports.model.job_record import jobs_of, read_job
    from store import open_store
    from sync import export_bundle, merge_bundles
    from sync.enrolment import pair

    (tmp_path / "other").mkdir()
    with open_store(tmp_path / "logbook.sqlite") as store:
        store.backup(tmp_path / "backups")
    (backup,) = (tmp_path / "backups").iterdir()
    backup.rename(tmp_path / "other" / "logbook.sqlite")
    for folder in (tmp_path, tmp_path / "other"):
        assert bring(recorded, folder, "--yes") == 0
    stores = [open_store(folder / "logbook.sqlite") for folder in (tmp_path, tmp_path / "other")]
    pair(*stores)
    once = [read_job(stores[0], job).count.areas() for job in jobs_of(stores[0])]
    for here, there in (stores, stores[::-1], stores):
        assert merge_bundles(there, [export_bundle(here, tmp_path / here.device)]).refused == []
    for store in stores:
        assert len(store.all(Stint)) == 4
        assert [read_job(store, job).count.areas() for job in jobs_of(store)] == once
        records = [read_job(store, job) for job in jobs_of(store)]
        assert [len(record.stints) for record in records] == [1, 1]
        assert ["brought in twice" in str(said) for record in records for said in record.held] == [True, True]
        assert store.check() == []
        store.close()
    assert bring(recorded, tmp_path, "--yes") == 1, "it is still known"
    capsys.readouterr()
    assert main(["correct", "stint", "--store", str(tmp_path / "logbook.sqlite")]) == 0
    listed = capsys.readouterr().out.splitlines()
    twice = [line.split()[0] for line in listed if line.endswith("(brought in twice)")]
    assert (len(listed), len(twice)) == (4, 2)
    for word in ("void", "restore"):
        assert (
            main(["correct", "stint", twice[0], word, "--reason", "x", "--store", str(tmp_path / "logbook.sqlite")])
            == 1
        )
        assert "brought in twice" in capsys.readouterr().err


def test_the_same_day_under_another_name_and_form_is_not_brought_twice(recorded, tmp_path, capsys):
    """The same drive as GPX, written to 1e-6 degree, is known by where it was when."""
    import gpxpy.gpx

    assert bring(recorded, tmp_path, "--yes") == 0
    made = gpxpy.gpx.GPX()
    made.tracks.append(gpxpy.gpx.GPXTrack())
    made.tracks[0].segments.append(gpxpy.gpx.GPXTrackSegment())
    for row in recorded.read_text().splitlines()[1:]:
        t, lat, lon = map(float, row.split(",")[:3])
        when = datetime.fromtimestamp(t, UTC)
        made.tracks[0].segments[0].points.append(gpxpy.gpx.GPXTrackPoint(round(lat, 6), round(lon, 6), time=when))
    other = tmp_path / "other.gpx"
    other.write_text(made.to_xml())
    assert bring(other, tmp_path, "--yes") == 1
    assert "The work on West in other.gpx is in this logbook already" in capsys.readouterr().err


def test_no_work_is_said_with_its_reason(recorded, tmp_path, capsys):
    """A recording of another place names the nearest field; one that only crosses says what is taken for crossing."""
    rows = recorded.read_text().splitlines()
    elsewhere = tmp_path / "elsewhere.csv"
    lines = [row.split(",") for row in rows[1:]]
    elsewhere.write_text("\n".join([rows[0], *(f"{row[0]},{float(row[1]) + 0.1},{row[2]},4" for row in lines)]))
    told = tmp_path / "told.csv"
    told.write_text(
        "\n".join([f"{rows[0]},working", *(f"{row[0]},{float(row[1]) + 0.1},{row[2]},4,1" for row in lines)])
    )
    for path in (elsewhere, told):
        assert bring(path, tmp_path) == 0
        assert re.search(r"came no closer than .* mi to (West|Middle|East), the nearest field", capsys.readouterr().out)
    crossing = tmp_path / "crossing.csv"
    crossing.write_text("\n".join([rows[0], *rows[700:760]]))
    assert bring(crossing, tmp_path) == 0
    assert "which is taken for crossing" in capsys.readouterr().out


def test_only_what_is_chosen_is_written(recorded, tmp_path, capsys):
    """--only 2 writes the second visit alone."""
    assert bring(recorded, tmp_path, "--yes", "--only", "2", "--json") == 0
    assert [one["number"] for one in json.loads(capsys.readouterr().out)["written"]] == [2]


def test_an_unknown_name_is_refused_with_the_names_there_are(recorded, tmp_path, capsys):
    """A wrong operator is told with the right ones."""
    assert bring(recorded, tmp_path, "--yes", "--operator", "Zed") == 1
    assert "In this logbook: Ann." in capsys.readouterr().err


def test_not_while_a_stint_is_open(recorded, tmp_path, capsys):
    """An open stint is not buried under one that was brought in."""
    from store import open_store
    from store.models import Operator, Tool, Tractor

    with open_store(tmp_path / "logbook.sqlite") as store:
        session = Session(store, ManualClock(T0 + 90_000.0))
        who = (store.all(model)[0].id for model in (Operator, Tractor, Tool))
        session.take_over(*who, store.all(Field, name="West")[0].id)
        session.close()
    assert bring(recorded, tmp_path, "--yes") == 1
    assert "A stint is open on this tablet" in capsys.readouterr().err


def test_the_parts_of_a_day_are_few_and_in_order(recorded, tmp_path):
    """A day of 28 turns is eight or nine parts for a person: each kind where it was, times without overlap."""
    from store import open_store

    with open_store(tmp_path / "logbook.sqlite") as store:
        [day] = look_at(store, read_recording(recorded))
        names = [(part.stay and day.fields[part.stay.field].name, part.kind) for part in day.parts]
        worked = [part for part in day.parts if part.kind == "working"]
    assert [name for name in names if name[1] == "working"] == [("West", "working")] * 2 + [("East", "working")]
    assert names[0] == (None, "standing") and ("West", "standing") in names and len(names) <= 9
    assert all(a.end <= b.begin for a, b in zip(day.parts, day.parts[1:]))
    assert [part.runs for part in worked] == [5, 5, 8]
    # passes of 360 m and the turns between them, and what it stands while it turns round
    assert worked[0].length == pytest.approx(5 * 360 + 4 * 6 * np.pi, rel=0.05)


def test_parts_agreed_to_are_written_by_who_and_what(recorded, tmp_path, sea_farm):
    """One visit agreed to as rolling first and as harrowing then is two stints with each its own
    time; what was left out is in none; the same part twice is refused."""
    from store import open_store
    from store.errors import TraceRefused
    from store.models import Job

    with open_store(tmp_path / "logbook.sqlite") as store:
        [day] = look_at(store, read_recording(recorded))
        first, second, _ = [part for part in day.parts if part.kind == "working"]
        who = (sea_farm.operator, sea_farm.tractor, sea_farm.tool)
        brought = bring_in_agreed(store, [Agreed(second, *who, "harrowing"), Agreed(first, *who, "rolling")])
        stints = [stint for _, stint in brought.stints]
        assert [store.get(Job, one.job_id).operation for one in stints] == ["rolling", "harrowing"]
        for stint, part in zip(stints, (first, second), strict=True):
            taps = taps_of(store, stint.id)
            assert [(tap.kind, tap.at) for tap in taps[:2]] == [("start", part.begin), ("stop", part.end)]
            trace = store.read_trace(stint.id)
            assert (trace.t[0], trace.t[-1]) == (part.begin, part.end)
        with pytest.raises(TraceRefused, match="in this logbook already"):
            bring_in_agreed(store, [Agreed(first, *who, "rolling")])
        assert len(store.all(Stint)) == 2 and store.check() == []


def working_hours(store):
    """When each operator, tractor and tool worked, by its id."""
    found = {}
    for stint in store.all(Stint):
        record = read_stint(store, stint)
        for one in (stint.operator_id, stint.tractor_id, stint.tool_id):
            found.setdefault(one, []).extend(record.standing.work(record.ended))
    return found


def test_nobody_works_in_two_places_at_once(recorded, tmp_path, sea_farm, capsys):
    """Two machines of one file, or of two, are refused to one operator, tractor or tool, and nothing is written; by the
    way the refusal names both come in, and nobody's work overlaps."""
    from store import open_store
    from store.models import Operator, Tool, Tractor

    with open_store(tmp_path / "logbook.sqlite") as store:
        store.put(Operator, name="Zoe"), store.put(Tractor, name="Grey")
        store.put(Tool, name="Other", operation="rolling", width_m=12.0, towed=False)
        mine = [store.get(of, id).name for of, id in
                ((Operator, sea_farm.operator), (Tractor, sea_farm.tractor), (Tool, sea_farm.tool))]  # fmt: skip
    head, *rows = recorded.read_text().splitlines()
    beside = [f"{t},{float(lat) + 0.00025:.8f},{more}" for t, lat, more in (row.split(",", 2) for row in rows)]
    both, second = tmp_path / "both.csv", tmp_path / "second.csv"
    both.write_text(
        "\n".join([f"{head},machine", *(f"{r},{m}" for pair in zip(rows, beside) for r, m in zip(pair, "AB"))])
    )
    second.write_text("\n".join([head, *beside]))

    def by(names):
        return [word for pair in zip(("--operator", "--tractor", "--tool"), names) for word in pair]

    assert bring(both, tmp_path, "--yes", *by(mine)) == 1
    said = capsys.readouterr().err
    assert "cannot work in two places at the same time" in said and all(name in said for name in mine)
    assert "Nothing was written" in said and "--only 3 --operator NAME" in said
    with open_store(tmp_path / "logbook.sqlite") as store:
        assert not store.all(Stint)
    assert bring(recorded, tmp_path, "--yes", *by(mine)) == 0
    for names in (mine, ("Zoe", *mine[1:]), (*mine[:2], "Other"), (mine[0], "Grey", "Other")):
        assert bring(second, tmp_path, "--yes", *by(names)) == 1
        assert "in this logbook" in capsys.readouterr().err
    assert bring(both, tmp_path, "--yes", "--only", "3", "--only", "4", *by(("Zoe", "Grey", "Other"))) == 0
    with open_store(tmp_path / "logbook.sqlite") as store:
        assert len(store.all(Stint)) == 4 and store.check() == []
        for spans in working_hours(store).values():
            assert all(a[1] <= b[0] for a, b in itertools.pairwise(sorted(spans)))


def test_what_is_in_already_is_left_out_and_nobody_works_twice(recorded, tmp_path, capsys):
    """After the first field and half of the second, the whole brings the rest; a third time it is refused."""
    from store import open_store

    head, *rows = recorded.read_text().splitlines()
    half = tmp_path / "half.csv"
    last = next(n for n in range(len(rows)) if n > len(rows) * 0.75)
    half.write_text("\n".join([head, *rows[:last]]))
    assert bring(half, tmp_path, "--yes") == 0
    capsys.readouterr()
    assert bring(recorded, tmp_path, "--yes") == 0
    said = capsys.readouterr().out
    assert "The work on West in day.csv is in this logbook already" in said
    assert re.search(r"^\d+ min of it is in the logbook already and is left out", said, re.MULTILINE)
    assert bring(recorded, tmp_path, "--yes") == 1
    with open_store(tmp_path / "logbook.sqlite") as store:
        assert len(store.all(Stint)) == 3
        for spans in working_hours(store).values():
            assert all(a[1] <= b[0] for a, b in itertools.pairwise(sorted(spans)))


def test_a_stint_brought_in_by_mistake_is_taken_back_and_restored(recorded, tmp_path, capsys):
    """Taken back, it counts nowhere and its file can be brought in again; restored only where it is not in twice."""
    from cabapp.jobs.pass_counts.assembler import assemble
    from cabapp.jobs.records.stint_reader import work_of
    from store import open_store
    from store.models import Job

    path = tmp_path / "logbook.sqlite"
    more = ["--reason", "another farm's day", "--store", str(path)]

    def covered():
        with open_store(path) as store:
            return [round(assemble(store, job).count.area_totals().covered) for job in store.all(Job)]

    def stints():
        with open_store(path) as store:
            return store.all(Stint), sum(b - a for a, b in work_of(store, store.all(Stint)))

    assert bring(recorded, tmp_path, "--yes") == 0
    before, ([first, *others], worked) = covered(), stints()
    assert min(before) > 0
    assert main(["correct", "stint", first.id, "void", *more]) == 0
    assert covered().count(0.0) == 1
    assert 0 < stints()[1] < worked
    assert main(["correct", "stint", first.id, "void", *more]) == 1
    assert "taken back already" in capsys.readouterr().err
    assert bring(recorded, tmp_path, "--yes") == 0
    assert covered() == before and len(stints()[0]) == len(others) + 2
    assert main(["correct", "stint", first.id, "restore", *more]) == 1
    again = max(stints()[0], key=lambda one: one.stamp)
    assert f"in the logbook again, as stint {again.id[:8]}" in capsys.readouterr().err
    assert main(["correct", "stint", again.id, "void", *more]) == 0
    assert main(["correct", "stint", first.id, "restore", *more]) == 0
    assert covered() == before and stints()[1] == worked
    with pytest.raises(SystemExit):
        main(["correct", "--help"])
    assert "a stint that was brought in back" in " ".join(capsys.readouterr().out.split())


def test_with_yes_nobody_is_told_to_say_yes(recorded, tmp_path, capsys):
    """A file without work, brought with --yes, says only that nothing was written; a field worked is not only crossed."""
    rows = recorded.read_text().splitlines()
    crossing = tmp_path / "crossing.csv"
    crossing.write_text("\n".join([rows[0], *rows[700:760]]))
    assert bring(crossing, tmp_path, "--yes") == 0
    assert "--yes" not in capsys.readouterr().out
