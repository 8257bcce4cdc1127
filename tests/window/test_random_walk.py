"""Rough hands: random taps and gestures do no harm, and none that was answered is lost."""

import itertools
import random
from collections import Counter

import pytest

from store import open_store
from store.models import Tap

pytestmark = pytest.mark.window
# written by the session itself, or with a take-over or a hand-over, which are not single taps
OWN = ("warned", "caution", "check_skipped", "take_over", "hand_over", "receive")


@pytest.mark.parametrize("taps", [100, pytest.param(10_000, marks=pytest.mark.long)])
def test_random_taps_and_drags_do_no_harm(open_cab, farm, taps, capsys):
    """Taps on keys and anywhere, holds and drags, at any time, over many pages, end in no fault, in no
    exit and in a sound logbook, and after kill -9 every tap that was answered is in it, once."""
    cab = open_cab("--store", farm["store"], "--replay", farm["trace"], "--speed", 3)
    cab.tap("I have read this. Same as last time")
    cab.wait_view(state="ready")
    before = kept(farm["store"])
    known = Counter(cab.ask("done"))
    chance = random.Random(20260521)
    pages, told, states = Counter(), Counter(), []
    for _ in range(taps):
        seen = cab.look()
        wide, high = seen["size"]
        assert (wide, high) == (1280, 800)
        pages[seen["screen"]] += 1
        states.append((seen["screen"], keys(seen), cab.ask("done")))
        way = chance.choices(("key", "anywhere", "drag"), (50 if keys(seen) else 0, 40, 10))[0]
        told[way] += 1
        if way == "drag":
            cab.drag(*(chance.uniform(2, n - 2) for n in (wide, high, wide, high)))
        elif way == "anywhere":
            cab.press(chance.uniform(2, wide - 2), chance.uniform(2, high - 2), seconds=0.005)
        else:
            left, top, right, bottom = one_key(seen, chance)
            cab.press((left + right) / 2, (top + bottom) / 2, 1.2 if chance.random() < 0.03 else 0.005)
        if wiping(seen):
            cab.wait(lambda: not wiping(cab.look()), "the keys to wake by themselves")
    effects = sum(one != other for one, other in itertools.pairwise(states))
    assert cab.process.poll() is None
    cab.look()
    answered = Counter(cab.ask("done"))
    cab.kill()
    errors = cab.stderr()
    assert "Traceback" not in errors, errors[-3000:]
    with open_store(farm["store"]) as store:
        assert store.check() == []
    new = kept(farm["store"]) - before
    # a reading of the caution is kept for the next stint, and written with it
    answered -= known
    del answered["caution"]
    with capsys.disabled():
        print(
            f"\n{taps} ({dict(told)}) on {len(pages)} pages ({dict(pages)}): {effects} changed what can be tapped or were answered"
        )
        print(f"{answered.total()} were answered ({dict(answered)}), {new.total()} are in the logbook")
    assert new == answered and answered.total() > 10
    # which pages chance leads to in a few minutes depends on the machine's pace
    assert len(pages) >= (6 if taps > 1000 else 4) and effects > 0.25 * taps


def keys(seen):
    """Return what can be tapped: words and place of each."""
    things = seen["things"]
    return [(t["text"], *t["rect"]) for t in things if t["kind"] in ("key", "Row") and not t["disabled"]]


def one_key(seen, chance):
    """Return the place of a key that is seen; the way back more often than the others."""
    offered = keys(seen)
    backs = [one for one in offered if one[0] == "Back"]
    return chance.choice(backs if backs and chance.random() < 0.1 else offered)[1:]


def wiping(seen):
    """Say whether the keys sleep while the glass is wiped."""
    return any(thing["text"].startswith("Wipe the screen now") for thing in seen["things"])


def kept(path):
    """Return how many taps of each kind a logbook holds, without those that no key stands for."""
    with open_store(path) as store:
        return Counter(tap.kind for tap in store.all(Tap) if tap.kind not in OWN)
