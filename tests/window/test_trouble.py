"""Trouble with the disk and records on a stick, in the real window."""

import resource

import pytest

from store import open_store
from store.models import Farm, Field, Hitching, Job, Operator, Stint, Tap, Tool, Tractor
from sync import export_bundle, merge_bundles
from sync.enrolment import pair

pytestmark = pytest.mark.window

SHOUT = "NOTHING IS BEING SAVED"


def shown(cab, text):
    """Return the things on the screen that show a text."""
    return [t for t in cab.look()["things"] if text in t["text"]]


def let_write(cab, most):
    """Let the cab write files up to so many bytes only, as a full disk does; None: as much as it likes."""
    limit = resource.RLIM_INFINITY if most is None else most
    resource.prlimit(cab.process.pid, resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))


def test_a_full_disk_is_shouted_on_every_page_and_nothing_is_lost(open_cab, farm):
    """While the disk takes nothing, "Nothing is saved" is in the head and in words, on the pass screen
    and on other pages, as long as it lasts; taps go on, and are on disk once there is room again."""
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    cab.tap("I have read this. Same as last time")
    cab.wait_view(state="ready")
    if shown(cab, "It is right"):
        cab.tap("It is right")
    let_write(cab, 1)
    cab.tap("Start rolling")
    cab.wait_view(state="working")
    cab.wait(lambda: shown(cab, SHOUT) and shown(cab, "Nothing is saved"), "the shout on the pass screen")
    (line,) = shown(cab, SHOUT)
    assert line["fits"], "the whole sentence is on the screen"
    cab.tap("Stop rolling")
    cab.wait_view(state="stopped")
    cab.tap("Rain")
    cab.wait_view(stop_reason="rain")
    cab.tap("More")
    cab.find("Mop up")
    (slip,) = cab.wait(lambda: shown(cab, SHOUT), "the shout over the head of a page")
    assert slip["fits"] and "lost if the power goes" in slip["text"]
    with open_store(farm["store"]) as store:
        stint = max(store.all(Stint), key=lambda one: one.at)
        assert "stop" not in [tap.kind for tap in store.all(Tap, stint_id=stint.id)], "the file has none of it yet"
    let_write(cab, None)
    cab.picture("nothing-is-saved")
    cab.wait(lambda: not shown(cab, SHOUT), "the shout to end", 60)
    cab.tap("Back")
    cab.wait(lambda: shown(cab, "[b]Stopped"), "the head as usual")
    cab.kill()
    with open_store(farm["store"]) as store:
        taps = sorted(store.all(Tap, stint_id=stint.id), key=lambda tap: tap.seq)
        kinds = [tap.kind for tap in taps if tap.kind not in ("hitching_ok", "warned")]
        assert kinds == ["caution", "start", "stop", "stop_reason"]
        assert not store.check()


@pytest.fixture
def folder(tmp_path):
    """Return the folder the tablet watches, which stands for a stick here."""
    path = tmp_path / "exchange"
    path.mkdir()
    return path


def test_another_tablets_work_counts_after_one_tap(open_cab, farm, folder, tmp_path):
    """With a stint open, records of another tablet are taken in with one tap on a page that says how far
    it is and what came; the count then has the other's ground, and a new operator can be chosen."""
    with open_store(farm["store"]) as store, open_store(tmp_path / "other.sqlite") as other:
        pair(store, other)  # the same farm on another tablet, which rolled a strip more
        export_bundle(store, tmp_path)
    cab = open_cab("--store", farm["store"], "--replay", farm["still"])
    cab.tap("I have read this. Same as last time")
    before = cab.wait_view(state="ready")["done_area"]

    with open_store(tmp_path / "other.sqlite") as other:
        merge_bundles(other, [tmp_path])
        other.put(Operator, name="Ulla Fenn")
        job, tool = other.all(Job)[0], other.all(Tool)[0]
        stint = other.add(Stint(
            job_id=job.id, operator_id=other.all(Operator)[0].id, tractor_id=other.all(Tractor)[0].id, tool_id=tool.id,
            width_m=12.0, at=farm["rows"][0][0] - 5000.0,
        ))  # fmt: skip
        other.add(Tap(stint_id=stint.id, kind="start", at=farm["rows"][0][0] - 4990.0))
        trace = other.trace(stint.id)
        for up in (1, -1):
            for k in range(1000):
                lat = 50.05 + (k if up > 0 else 1000 - k) * 0.0000036
                trace.append(
                    farm["rows"][0][0] - 4900.0 + (k + (0 if up > 0 else 1100)) * 0.15,
                    lat,
                    -105.197,
                    sigma=0.05,
                    quality=4,
                )
        trace.seal()
        other.add(Tap(stint_id=stint.id, kind="finish", at=farm["rows"][0][0] - 4000.0))
        assert other.all(Farm) and other.all(Field) and other.all(Hitching)
        export_bundle(other, folder)
    cab.tap("More")
    cab.tap("This tablet")
    cab.tap("Exchange")
    cab.find("Exchange now")
    cab.picture("exchange-ready")
    cab.tap("Exchange now")
    (said,) = cab.wait(lambda: shown(cab, "records taken in"), "what came")
    assert said["fits"] and said["text"].startswith("Shared folder: ")
    cab.picture("exchange-done")
    cab.tap("Back")
    after = cab.wait(
        lambda: (cab.look()["view"]["done_area"] or 0) > before + 1000 and cab.look()["view"],
        "the other's ground in the count",
    )
    assert after["state"] == "ready"
    with open_store(farm["store"]) as store:
        assert "Ulla Fenn" in {row.name for row in store.all(Operator)}
    assert list(folder.glob("rollbook-*.zip")), "and this tablet's records lie there for the other"


def test_the_card_is_a_code_that_a_reader_reads(open_cab, farm):
    """The QR code on the screen, read from the picture's own pixels, has the modules of this tablet's
    card, black on white, also by night."""
    import numpy as np
    import segno
    from PIL import Image

    from sync.enrolment import card_of, text_of_card

    cab = open_cab("--store", farm["store"], "--replay", farm["still"], "--night")
    for key in (
        "I have read this",
        "Set-up",
        "1",
        "2",
        "3",
        "4",
        "Done",
        "This tablet",
        "Pairing",
        "This tablet's card",
    ):
        cab.tap(key)
    cab.find("Write it to the stick")
    with open_store(farm["store"]) as store:
        card = card_of(store)
    assert shown(cab, card.fingerprint)
    wanted = np.array(
        [list(row) for row in segno.make(text_of_card(card), error="m", micro=False).matrix_iter(border=4)]
    )
    pixels = np.asarray(Image.open(cab.picture("card")).convert("L"))
    rows, columns = np.nonzero(pixels > 250)
    top, left, side = rows.min(), columns.min(), rows.max() - rows.min() + 1
    middle = (np.arange(len(wanted)) + 0.5) * side / len(wanted)
    seen = pixels[np.ix_((top + middle).astype(int), (left + middle).astype(int))] < 128
    assert (seen == wanted.astype(bool)).all()
