"""Every sentence of the day on the cab's own line: said, ranked against the others, and then silent.

Few windows, many sentences: the logbook is laid out so that several causes stand at once.
"""

import itertools
import math
import time

import numpy as np
import pytest

from cabapp.planning.emergence import CROPS, DAY, closes, comes_up
from store import open_store
from store.models import Field, FuelEntry, Job, Mark, Operator, Stint, Tap, Tool, Tractor, job_id

pytestmark = pytest.mark.window

DAY0 = 1779375600.0  # when the farm's traces begin: 09:00
LAT0, LON0 = 50.05, -105.2
M_LAT, M_LON = 111_229.0, 111_320.0 * math.cos(math.radians(LAT0))
STOP_RULE, SEEDER, QUIET = 3, 4, 6
HOUR = 3600.0


def written(store, corners, start, speed, hz=1.0, **stint):
    """Write a stint driven along corners, m, and return it and when it ended."""
    made = store.add(Stint(**stint, at=start))
    trace, t = store.trace(made.id), start
    for (x0, y0), (x1, y1) in itertools.pairwise(corners):
        steps = max(1, round(math.dist((x0, y0), (x1, y1)) / speed * hz))
        for k in range(steps):
            x, y = x0 + (x1 - x0) * k / steps, y0 + (y1 - y0) * k / steps
            trace.append(t, LAT0 + y / M_LAT, LON0 + x / M_LON, sigma=0.05, quality=4)
            t += 1 / hz
    trace.seal()
    return made, t


@pytest.fixture
def book(farm):
    """Return the farm with the pace of yesterday known: a function (pace, or paces) to rows."""

    def write(*paces):
        with open_store(farm["store"]) as store:
            first = store.all(Stint)[0]
            kept = {n: getattr(first, n) for n in ("job_id", "operator_id", "tractor_id", "tool_id", "width_m")}
            stint = store.add(Stint(**kept, at=DAY0 - 20 * HOUR))
            store.add(
                Tap(
                    stint_id=stint.id,
                    kind="walk_round",
                    at=DAY0 - 20 * HOUR,
                    detail={"fine": [], "fault": ["hitch pin"]},
                )
            )
            store.add(Tap(stint_id=stint.id, kind="start", at=DAY0 - 20 * HOUR))
            store.add(
                Tap(
                    stint_id=stint.id,
                    kind="finish",
                    at=DAY0 - 18 * HOUR,
                    detail={"paces": paces if len(paces) > 1 else paces * 6},
                )
            )
            return kept

    return write


@pytest.fixture
def begun(open_cab, farm):
    """Open the cab with the standing recording five times as fast, and take over."""

    def begin(trace="still", speed=5):
        cab = open_cab("--store", farm["store"], "--replay", farm[trace], "--speed", speed)
        cab.tap("I have read this")
        cab.tap("Same as last time")
        cab.wait_view(state="ready")
        return cab

    return begin


def the_day(cab, *keys):
    """Open the page of the day, and on it what a key stands for."""
    cab.tap("More")
    cab.wait(lambda: cab.look()["screen"] == "more", "the keys")
    cab.tap("The day")
    lines(cab)
    cab.go(*keys)


def lines(cab):
    """Wait until the page of the day shows its lines."""
    cab.wait(lambda: cab.look()["screen"] == "the day" and "Greased" in cab.texts(), "the lines of the day")


def home(cab):
    """Go back from the lines of the day to the pass."""
    lines(cab)
    cab.tap("Back")
    cab.wait(lambda: cab.look()["screen"] == "more", "the keys")
    cab.tap("Back")
    cab.wait(lambda: cab.look()["screen"] == "pass", "the pass")


def read_rows(cab, *wordings):
    """Read rows of the day, pushing the list up, and at its end down again, until each has been seen."""
    way, before = 1, None
    _, top, right, _ = cab.find("Rain")["rect"]
    for wording in wordings:

        def there(wording=wording):
            nonlocal way, before
            things = cab.look()["things"]
            if any(wording in thing["text"] and thing["whole"] for thing in things):
                return True
            seen = [thing["text"] for thing in things if thing["whole"]]
            if seen == before:
                way = -way
            before = seen
            cab.drag(right, top - 80 + 50 * way, right, top - 80 - 50 * way)
            time.sleep(0.4)  # a list that was pushed past its end comes back by itself
            return False

        cab.wait(there, f"a row that says {wording!r}")


def press_one(cab, key, which):
    """Tap one of several keys that say the same, counted from the top."""
    left, top, right, bottom = sorted(
        (t["rect"] for t in cab.look()["things"] if t["text"] == key), key=lambda rect: rect[1]
    )[which]
    cab.press((left + right) / 2, (top + bottom) / 2)


def look_first(cab, bad):
    """Answer the four questions to the ground, one of them with Yes."""
    cab.go("More", "Look first")
    cab.find("Yes")
    for which in range(4):
        press_one(cab, "Yes" if which == bad else "No", which)
    cab.tap("Write down")


def known(cab, rank, beginning):
    """Read a sentence, then silence it."""
    words = cab.said(rank, beginning)
    cab.tap("I know")
    return words


def tap_figure(cab, key, row):
    """Tap a key of the upper (0) or the lower (1) figure."""

    def two():
        found = [t for t in cab.look()["things"] if t["kind"] == "key" and t["text"] == key and not t["disabled"]]
        return sorted(found, key=lambda t: t["rect"][1]) if len(found) == 2 else None

    left, top, right, bottom = cab.wait(two, f"two keys {key!r}")[row]["rect"]
    cab.press((left + right) / 2, (top + bottom) / 2)


def when_seeded(crop, which, at):
    """Return when a crop was seeded that closes or comes up at a moment, found by halving."""
    early, late = at - 60 * DAY, at
    for _ in range(50):
        middle = (early + late) / 2
        early, late = (middle, late) if (which(middle, CROPS[crop]) or math.inf) < at else (early, middle)
    return early


def seeded(farm, kept, at):
    """Write down that the field was seeded at a moment."""
    with open_store(farm["store"]) as store:
        stint = next(s for s in store.all(Stint, job_id=kept["job_id"]))
        store.add(Tap(stint_id=stint.id, kind="seeded", at=DAY0 - 7100.0, detail={"at": at}))


def test_before_the_start_each_cause_is_said_in_its_order(book, farm, begun):
    """A fault of the walk round, fuel, closing ground and grease stand at once and come one after the
    other; rain, when to start beside the seeder, and a strip worth going back for come when they are
    told; then the line is silent. Wind stops the work, and what the operator finds when looking goes before wind."""
    kept = book(30.0)
    seeded(farm, kept, when_seeded("lentil", closes, DAY0 + 5 * HOUR))
    with open_store(farm["store"]) as store:
        store.put(Tool, id=kept["tool_id"], grease_every_h=0.05)
        store.put(Tractor, id=kept["tractor_id"], tank_l=45.0)
        for at in (DAY0 - 20 * HOUR, DAY0 - 18 * HOUR):
            store.add(FuelEntry(tractor_id=kept["tractor_id"], at=at, litres=100.0))
        there = [(18, 0), (18, 30), (20, 40), (20, 370), (18, 380), (18, 410)]
        stint, end = written(store, [*there, (60, 430), *reversed(there), (18, -1)], DAY0 - 4900.0, 4.0, 10.0, **kept)
        store.add(Tap(stint_id=stint.id, kind="start", at=DAY0 - 4900.5))
        store.add(Tap(stint_id=stint.id, kind="finish", at=end + 1))
        here = {"lat": LAT0 + 300 / M_LAT, "lon": LON0 + 200 / M_LON}
        store.add(Mark(field_id=store.get(Job, kept["job_id"]).field_id, kind="rock", at=DAY0 - 4000.0, **here))
    cab = begun()
    assert known(cab, QUIET, "Not right when Oda Bracken walked round (13:00): hitch pin.").endswith(
        "Look before you start."
    )
    words = known(cab, QUIET, "Fuel for about ")
    assert " ac twice, and " in words and words.endswith("are left. Fill before you go on far.")
    assert " and needs 2.9 h more" in known(cab, QUIET, "This ground closes Thursday 21 May (an estimate)")
    known(cab, QUIET, "Grease the 40 ft roller at the next stop: it was due")
    cab.wait_view(sentence=None)
    the_day(cab, "Rain", "Rain in 1 h")
    home(cab)
    assert known(cab, QUIET, "Rain at 10:").endswith("will be left. Do the heavy ground first.")
    cab.wait_view(sentence=None)
    the_day(cab, "Seeder")
    for key in ("–10", "+1", "+1"):
        tap_figure(cab, key, 0)
    cab.wait(lambda: any(t["text"] == "Seeder 2 ac/h" for t in cab.look()["things"]), "two acres an hour")
    cab.tap("Write down")
    lines(cab)
    cab.go("Seeder", "On the map")
    ground = cab.wait(lambda: [t for t in cab.look()["things"] if t["kind"] == "GroundMap"], "the map")[0]["rect"]
    cab.picture("where-is-the-seeder")
    cab.press((ground[0] + ground[2]) / 2, (ground[1] + ground[3]) / 2)
    row = cab.wait(
        lambda: [t["text"] for t in cab.look()["things"] if "seeded and not finished" in t["text"]], "its row"
    )[0]
    assert "you catch up in" in row and "you still finish together" in row
    cab.picture("the-day-full")
    read_rows(
        cab,
        "likely ",
        ", dark from",
        ", needs",
        "; again once up, until the 4th node",
        "for about ",
        "worth it, ",
        "not right: hitch pin",
    )
    home(cab)
    assert " and you finish with the seeder. Until then 1 gap, 1 rock to pick, grease, fuel." in known(
        cab, QUIET, "Start by "
    )
    assert known(cab, QUIET, "1 place missed is worth going back for: ").endswith("See More, Mop up.")
    cab.wait_view(sentence=None)
    the_day(cab, "Wind and heat")
    tap_figure(cab, "+10", 0)
    cab.tap("Write down")
    home(cab)
    cab.tap("Start rolling")
    assert cab.said(STOP_RULE, "Wind 17.0 mph: soil may blow from 15.0 mph on.").endswith("Stop until it drops.")
    cab.go("Stop rolling", "Meal")
    cab.wait_view(stop_reason="meal")
    cab.said(QUIET, "Start by ")
    look_first(cab, 0)
    cab.tap("Start rolling")
    cab.said(STOP_RULE, "The surface was wet when you looked. Stop until it is dry.")
    look_first(cab, 1)
    cab.said(STOP_RULE, "Mud sticks to the tool. Stop until the surface is dry.")
    look_first(cab, 2)
    cab.said(STOP_RULE, "Shoots are just below the surface. Stop and ring before going on.")
    look_first(cab, 3)
    cab.said(STOP_RULE, "The soil is blowing. Stop until the wind drops.")
    with open_store(farm["store"]) as store:
        (tap,) = store.all(Tap, kind="seeder")
        assert abs((tap.lon - LON0) * M_LON - 140) < 40 and abs((tap.lat - LAT0) * M_LAT - 240) < 60
        pace, weather = store.all(Tap, kind="seeder_pace")[0].detail, store.all(Tap, kind="weather")[0].detail
        assert pace["rate"] * HOUR / 4046.86 == pytest.approx(2.0, rel=1e-4)
        assert weather["wind"] / 0.44704 == pytest.approx(17.0) and weather["air"] is None


@pytest.fixture
def evening(farm):
    """Let the standing recording begin at 19:45."""
    still = farm["still"].read_text().splitlines()
    place = still[1].split(",", 1)[1]
    farm["still"].write_text(
        "\n".join([still[0], *(f"{DAY0 + 10.75 * HOUR + k:.2f},{place}" for k in range(3000))]) + "\n"
    )


def test_the_rows_of_an_evening_say_what_is_not_sure(book, farm, begun, evening):
    """A finish between sunset and dusk is said as such, and that it cannot be told how late when the
    slowest hours got nowhere; a crop's day from memory is called a guess; with time to spare beside a
    slow seeder, that nothing missed is worth the way."""
    kept = book(*[63.0] * 8, 0.0, 0.0)
    seeded(farm, kept, when_seeded("flax", closes, DAY0 + 9 * DAY))
    with open_store(farm["store"]) as store:
        store.put(Field, id=farm["field"], crop="flax")
    cab = begun()
    the_day(cab)
    read_rows(
        cab,
        "likely 21:",
        "to cannot tell)",
        " after sunset",
        "(a guess from memory: go and dig)",
        "; not once it is up.",
    )
    cab.tap("Seeder")
    for key, row in (("–10", 0), ("+1", 0), ("+1", 0), ("+10", 1)):
        tap_figure(cab, key, row)
    cab.tap("Write down")
    lines(cab)
    read_rows(cab, "nothing missed is worth going back for")


def test_in_the_evening_dusk_and_backlog_and_heat_are_said(book, farm, begun, evening):
    """At 19:45 six hours are left: the finish lies after dusk; a seeder that gains leaves hours of work;
    over a crop that is up, hot air stops the work; when the seeder stands, how far its ground reaches."""
    kept = book(15.0)
    seeded(farm, kept, when_seeded("lentil", comes_up, DAY0 - 12 * DAY))
    with open_store(farm["store"]) as store:
        stint = store.all(Stint)[0]
        store.add(
            Tap(stint_id=stint.id, kind="walk_round", at=DAY0 - HOUR, detail={"fine": ["hitch pin"], "fault": []})
        )
    cab = begun()
    words = known(cab, QUIET, "Likely finish 4 h ")
    assert " after dusk (21:29). Choose " in words and words.endswith("or see to your lights.")
    cab.wait_view(sentence=None)
    the_day(cab, "Seeder")
    for key, row in (("+10", 0), ("+10", 0), ("+10", 1)):
        tap_figure(cab, key, row)
    cab.tap("Write down")
    lines(cab)
    read_rows(cab, " when it is done.")
    home(cab)
    assert known(cab, QUIET, "The seeder gains ").endswith("Say so, or get help.")
    cab.wait_view(sentence=None)
    the_day(cab, "Wind and heat")
    for _ in range(2):
        tap_figure(cab, "+10", 1)
    cab.tap("Write down")
    home(cab)
    cab.tap("Start rolling")
    assert known(cab, STOP_RULE, "79 °F in the air: from 77 °F on").endswith(
        "on it sets plants back. Stop until it is cooler."
    )
    the_day(cab, "Seeder")
    for key, row in (("–10", 0), ("+1", 1), ("+1", 1), ("+1", 1)):
        tap_figure(cab, key, row)
    cab.tap("Write down")
    home(cab)
    assert " min. Then " in cab.said(SEEDER, "The seeder stands: seeded ground for ")


def test_catching_the_seeder_goes_before_the_quiet_ones(book, farm, begun):
    """Its tablet's bundle: seeded ground for a quarter of an hour at most. Driving at 3 m/s the operator is told
    when and the speed that holds, before fuel; known, it gives way to what is quiet. Pointed out close by,
    it is said to be there when the work starts again."""
    with open_store(farm["store"]) as store:
        first = store.all(Stint)[0]
        store.put(Tool, id=first.tool_id, grease_every_h=0.05)
        drill = store.put(Tool, name="Drill", operation="seeding", width_m=15.0, towed=False)
        other = store.put(Operator, name="Una Fell")
        job = store.put(
            Job,
            id=job_id(farm["field"], "seeding", 2026),
            field_id=farm["field"],
            operation="seeding",
            season=2026,
            target=1,
        )
        who = {
            "job_id": job.id,
            "operator_id": other.id,
            "tractor_id": first.tractor_id,
            "tool_id": drill.id,
            "width_m": 15.0,
        }
        for x, start in ((150, DAY0 - 3000.0), (165, DAY0 - 400.0)):
            stint, _ = written(store, [(x, 0), (x, 300)], start, 2.5, **who)
            store.add(Tap(stint_id=stint.id, kind="start", at=start - 0.5))
    book(30.0)  # written last, so that it is what this tablet did last
    drive = [(DAY0 + k, 0.0) for k in range(60)] + [(DAY0 + 60 + k / 5, 0.6 * k) for k in range(750)]
    drive += [(DAY0 + 210 + k, 450.0) for k in range(900)]
    lines = (f"{t:.2f},{LAT0 + y / M_LAT:.8f},{LON0 + 158 / M_LON:.8f},0.05,4\n" for t, y in drive)
    farm["trace"].write_text("time,lat,lon,sigma,quality\n" + "".join(lines))
    cab = begun("trace", speed=4)
    cab.tap("Start rolling")
    cab.wait_hurried(lambda: (cab.look()["view"]["speed"] or 0) > 1.6, "driving off", then=4)
    words = cab.said(SEEDER, "You catch the seeder in ")
    cab.wait(
        lambda: "mph keeps the distance. Or stop: grease." in (cab.look()["view"]["sentence"] or {}).get("words", ""),
        "the speed",
    )
    assert " min." in words
    known(cab, SEEDER, "You catch the seeder in ")
    cab.said(QUIET, "Grease the 40 ft roller")
    cab.tap("Stop rolling")
    cab.wait_hurried(lambda: cab.look()["screen"] == "stop", "the reasons, once the operator stands", then=4)
    cab.go("Meal", "More", "Seeder is here", "Start rolling")
    assert cab.said(SEEDER, "The seeder was ").endswith(" from here. Ease off, or do gaps first.")


@pytest.mark.parametrize(
    ("apart", "share", "advice"),
    [
        (8.0, " rolled once. Lap ", " more: best for your steadiness."),
        (4.4, " rolled three times. Lap ", " less: enough for your steadiness."),
    ],
)
def test_own_laps_are_said_to_the_operator_alone(book, farm, open_cab, apart, share, advice):
    """Opened again after three hours of laps too far apart or too close that wander more and more: lap
    more or less, then a break is hinted at, then silence. Nothing of the wander is in the logbook."""
    kept = book(30.0)
    rng = np.random.default_rng(5)
    corners, t = [], 0.0
    for k in range(37):
        sigma = 0.12 if k < 14 else 0.25 if k < 28 else 0.5
        x = apart * k + float(rng.normal(0, sigma))
        ends = [(x, 0.0), (x, 380.0)]
        corners += ends if k % 2 == 0 else ends[::-1]
        t += 388 / 1.5
    with open_store(farm["store"]) as store:
        stint, _ = written(store, corners, DAY0 - t - 120.0, 1.5, **kept)
        store.add(Tap(stint_id=stint.id, kind="start", at=stint.at))
        store.add(Tap(stint_id=stint.id, kind="caution", at=stint.at))
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    cab.wait_view(state="working")
    words = known(cab, QUIET, "Your laps leave about ")
    assert share in words and words.endswith(advice)
    assert known(cab, QUIET, "Your laps wander ").endswith("10 to 15 minutes off the seat help.")
    cab.wait_view(sentence=None)
    the_day(cab)
    read_rows(cab, " inside half", "% three times)", " in the first; only you see this")
    with open_store(farm["store"]) as store:
        details = [tap.detail for tap in store.all(Tap) if tap.detail]
        assert "wander" not in str(details) and store.all(Field)[0].crop == "lentils"
