"""Rough hands: random taps and gestures do no harm, and none that was answered is lost."""

import random

import pytest

from store import open_store

pytestmark = pytest.mark.window


@pytest.mark.parametrize("taps", [300, pytest.param(10_000, marks=pytest.mark.long)])
def test_random_taps_and_drags_do_no_harm(open_cab, farm, taps):
    """Taps and drags anywhere, at any time, end in no fault, in no exit, and in a sound logbook."""
    cab = open_cab("--store", farm["store"], "--replay", farm["trace"], "--speed", 3)
    cab.tap("I have read this. Same as last time")
    cab.wait_view(state="ready")
    chance = random.Random(20260521)
    wide, high = cab.look()["size"]
    for k in range(taps):
        if chance.random() < 0.1:
            cab.drag(*(chance.uniform(2, n - 2) for n in (wide, high, wide, high)))
        else:
            cab.press(chance.uniform(2, wide - 2), chance.uniform(2, high - 2), seconds=0.005)
        if k % 50 == 0:
            assert cab.look()["size"] == [wide, high]
    assert cab.process.poll() is None
    cab.look()
    told = cab.stderr()
    assert "Traceback" not in told, told[-3000:]
    cab.process.terminate()
    assert cab.process.wait(20) == 0
    with open_store(farm["store"]) as store:
        assert store.check() == []
