"""Far from the field: the cab says so, goes on recording, and its key leads to another field."""

import pytest

from store import open_store
from store.models import Field, Stint

pytestmark = pytest.mark.window

DAY0 = 1779375600.0


@pytest.mark.parametrize(("km", "distance"), [(7.0, "4.0 mi"), pytest.param(1770.0, "1101 mi", marks=pytest.mark.long)])
def test_the_cab_says_how_far_it_is_and_leads_to_another_field(open_cab, farm, tmp_path, sizes, km, distance):
    """Distances by geographiclib: 1,101.2 and 4.04 miles. At 7 km it took 1.7 GB, at 1,770 km it asked for 7.45 TiB and the screen was black."""
    with open_store(farm["store"]) as store:
        store.put(Field, name="Plover Bench", target=2)
    lat, lon = farm["rows"][0][1:]
    csv = tmp_path / "away.csv"
    rows = [(DAY0 + k, lat + (km / 111.2 if k >= 40 else 0.0), lon) for k in range(3000)]
    csv.write_text("time,lat,lon,sigma,quality\n" + "".join(f"{t:.2f},{a:.8f},{b:.8f},0.05,4\n" for t, a, b in rows))
    cab = open_cab("--store", farm["store"], "--replay", csv, "--speed", 4)
    cab.tap("I have read this")
    cab.tap("Same as last time")
    cab.wait_view(state="ready")
    cab.go("Start rolling")
    cab.wait_view(state="working")
    words = cab.said(2, "You are ")
    assert words == f"You are {distance} from Heron Flat. Recording goes on; it is not counted here. Change field?"
    seen = cab.look()
    assert seen["screen"] == "pass"
    sizes.keys(seen)
    sizes.words(seen)
    cab.picture(f"far-from-the-field-{km:.0f}-km")
    cab.tap("Change field")
    cab.wait(lambda: cab.look()["screen"] == "finish", "the page that finishes here")
    cab.hold("Finish")
    cab.wait(lambda: cab.look()["screen"] == "take over", "another field", patience=60)
    assert "Plover Bench" in cab.texts()
    cab.kill()
    with open_store(farm["store"]) as store:
        newest = max(store.all(Stint), key=lambda one: one.at)
        trace = store.read_trace(newest.id)
    assert (abs(trace.lat - lat) > 0.05).sum() > 10
