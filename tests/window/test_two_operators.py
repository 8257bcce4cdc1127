"""One drive in the real window, by real clicks, from taking over to handing over."""

import numpy as np
import pytest
from PIL import Image

from cabapp.jobs.records.stint_state import stint_state
from store import open_store
from store.models import HandOver, HandOverReceipt, Operator, Stint, Tap

pytestmark = pytest.mark.window


def stint_of_today(store):
    """Return the newest stint and its taps in order."""
    stint = max(store.all(Stint), key=lambda one: one.at)
    return stint, sorted(store.all(Tap, stint_id=stint.id), key=lambda tap: tap.seq)


def take_over(cab):
    """Acknowledge the caution, then take over as last time."""
    cab.wait(lambda: cab.look()["screen"] == "take over", "the take-over page")
    cab.tap("I have read this")
    cab.tap("Same as last time")
    cab.wait_view(state="ready")
    if [t for t in cab.look()["things"] if t["text"] == "It is right"]:
        cab.tap("It is right")


# linear RGB as seen without one kind of cone (Machado, Oliveira and Fernandes 2009, severity 1; from memory,
# each row adds up to 1 so that greys stay grey)
EYES = {
    "red": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "green": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "blue": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}


def as_seen(picture, eye):
    """Return how light each pixel is, 0 to 255, in grey-scale or to an eye without one kind of cone."""
    if eye is None:
        return np.asarray(Image.open(picture).convert("L"))
    linear = (np.asarray(Image.open(picture).convert("RGB")) / 255.0) ** 2.2
    seen = np.clip(linear @ np.array(EYES[eye]).T, 0, 1) @ [0.2126, 0.7152, 0.0722]
    return 255 * seen ** (1 / 2.2)


def ink_of_strip(seen, picture, eye=None):
    """Return the share of dark pixels by count, in the rim of the tool strip's pieces."""
    grey = as_seen(picture, eye)
    shares = {}
    for thing in seen["things"]:
        if thing["kind"] == "StripPiece":
            left, top, right, bottom = (round(v) for v in thing["rect"])
            # above and below the slip with the number, inside the frame
            rim = np.vstack(
                [
                    grey[top + 12 : top + 19, left + 12 : right - 12],
                    grey[bottom - 19 : bottom - 12, left + 12 : right - 12],
                ]
            )
            shares.setdefault(thing["text"], []).append(float((rim < 90).mean()))
    return {text: float(np.mean(found)) for text, found in shares.items()}


def test_the_story_of_a_stint(open_cab, farm):
    """Real clicks take over, start, are warned of ground rolled twice, stop with a reason and
    hand over; then the store holds exactly that: the taps, the stint and the trace. The receiver
    who shows a wrong place is refused, and the right place closes the hand-over."""
    cab = open_cab("--store", farm["store"], "--replay", farm["trace"], "--speed", "6")
    take_over(cab)
    cab.picture("ready-day")
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    cab.wait_hurried(lambda: (cab.look()["view"]["speed"] or 0) > 1.6, "driving off", then=6)

    def warned():
        said = cab.look()["view"]["sentence"]
        return said if said and said["act_now"] and "twice" in said["words"] else None

    said = cab.wait(warned, "the warning of ground rolled twice")
    assert "Rolled twice already" in said["words"]
    assert said["side"] == 1, "finished ground is on the left, so the tool moves right"
    words = [t for t in cab.look()["things"] if t["text"] == said["words"]]
    assert words and words[0]["fits"], "the sentence is on the screen, whole"
    view = cab.look()["view"]
    assert max(view["strip"][:3]) == 3 and view["strip_over"][0] and not view["strip_over"][-1]
    seen, picture = cab.look(), cab.picture("warning-day")
    for eye in (None, *EYES):
        ink = ink_of_strip(seen, picture, eye)
        assert 0.1 < ink["1"] < 0.6 * ink["3"] and ink["3"] > 0.7, f"strokes are light, the block is dark: {eye} {ink}"
    cab.tap("I know")
    cab.tap("Stop rolling")
    cab.wait_view(state="stopped")

    # the operator goes on driving to the end of the trace and stands; only then is the reason asked
    cab.wait_hurried(lambda: cab.look()["screen"] == "stop", "the reasons, once the tractor stands", then=6)
    cab.picture("stop-day")
    cab.tap("Fuel")
    cab.wait_view(stop_reason="fuel")
    cab.tap("More")
    cab.picture("more-day")
    cab.tap("Hand over")
    cab.tap("Fine")
    cab.wait(lambda: [t for t in cab.look()["things"] if t["text"] == "Where"], "the sheet")
    cab.picture("hand-over-day")
    cab.tap("Hand over")
    cab.wait(lambda: cab.look()["screen"] == "receive", "the page of the receiver")
    cab.tap("Tam Willet")
    cab.wait(lambda: [t for t in cab.look()["things"] if t["text"] == "Where"], "the sheet")
    cab.picture("receive-day")

    with open_store(farm["store"]) as store:
        given = store.all(HandOver)[-1]
        stint, taps = stint_of_today(store)
        assert [tap.kind for tap in taps if tap.kind not in ("warned", "hitching_ok")] == [
            "caution", "start", "i_know", "stop", "stop_reason", "hand_over",
        ]  # fmt: skip
        assert [tap.reason for tap in taps if tap.kind == "stop_reason"] == ["fuel"]
        assert stint_state(stint.at, taps).state == "handed over"
        assert given.state == "fine" and given.stint_id == stint.id
        trace = store.read_trace(stint.id)
    rows = np.array(farm["rows"])
    kept = (rows[:, 0] > trace.t[0] - 0.005) & (rows[:, 0] < trace.t[-1] + 0.005)
    assert len(trace.t) == kept.sum(), "every fix of the stint, none twice"
    assert np.allclose(trace.t, rows[kept, 0], atol=0.006)
    assert np.allclose(trace.lat, rows[kept, 1], atol=1e-7)
    assert np.allclose(trace.lon, rows[kept, 2], atol=1e-7)
    stops = {tap.kind: tap.at for tap in taps}
    assert trace.t[0] <= stops["start"] < stops["stop"] <= trace.t[-1]

    ground = cab.find("", kinds=("GroundMap",))["rect"]
    cab.press(ground[0] + 30, ground[1] + 30)
    cab.wait(
        lambda: [t for t in cab.look()["things"] if "from the place on the sheet" in t["text"]],
        "the wrong place to be refused",
    )
    with open_store(farm["store"]) as store:
        wrong = store.all(HandOverReceipt)[-1]
        assert not wrong.agreed and wrong.metres_off > 20
        given = store.get(HandOver, wrong.hand_over_id)
    seen = cab.look()
    (lat0, lon0), (lat1, lon1) = seen["map_corners"]
    left, top, right, bottom = ground
    x = left + (right - left) * (given.next_lon - lon0) / (lon1 - lon0)
    cab.press(x, bottom - (bottom - top) * (given.next_lat - lat0) / (lat1 - lat0))
    cab.wait_view(state="idle")
    cab.wait(lambda: cab.look()["screen"] == "take over", "the take-over page again")
    with open_store(farm["store"]) as store:
        right_one = store.all(HandOverReceipt)[-1]
        assert right_one.agreed and right_one.metres_off < 10
        assert store.get(Operator, right_one.operator_id).name == "Tam Willet"
