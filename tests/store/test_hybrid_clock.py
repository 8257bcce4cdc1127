"""Stamps are in the order of events, whatever the wall clocks say."""

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from store import open_store
from store.facts.hybrid_clock import (
    CEILING_MS,
    DRIFT_MS,
    in_effect,
    next_stamp,
    read_stamp,
    receive_stamps,
    write_stamp,
)
from store.models import Farm, Operator

ONE = "1f0c22ab-0000-4000-8000-000000000000"
TWO = "2f0c22ab-0000-4000-8000-000000000000"
NOW = 1_777_000_000.0


def test_a_stamp_reads_as_utc():
    """The text before the counter is the instant as Python's own datetime writes it."""
    stamp = write_stamp(1_777_000_000_125, 3, ONE)
    written = datetime.fromtimestamp(1_777_000_000.125, UTC).isoformat(timespec="milliseconds")
    assert stamp == written.replace("+00:00", "Z") + "-00003-1f0c22ab"
    assert read_stamp(stamp) == (1_777_000_000_125, 3, "1f0c22ab")


@given(st.lists(st.floats(-1e12, 1e12), min_size=2))
def test_stamps_only_go_up_whatever_the_wall_says(walls):
    """Whatever a wall clock shows, each stamp sorts after the one before."""
    last = ""
    for wall in walls:
        stamp = next_stamp(last, wall, ONE)
        assert stamp > last
        assert read_stamp(stamp)[0] <= CEILING_MS + 1
        last = stamp


def test_a_full_counter_carries_into_the_millisecond():
    """After 99,999 within a millisecond the next stamp still sorts later."""
    full = write_stamp(round(NOW * 1000), 99_999, ONE)
    assert next_stamp(full, NOW, ONE) > full


def test_what_was_seen_comes_before_what_is_written_next():
    """An event on one device that has seen another's sorts after it, though its clock is behind."""
    theirs = next_stamp("", NOW + 3600, TWO)
    assert next_stamp(receive_stamps("", [theirs], NOW), NOW, ONE) > theirs


def test_a_wild_clock_is_not_followed():
    """A stamp from 2094 does not move our clock, nor does our own wall leaping there."""
    ours = next_stamp("", NOW, ONE)
    wild = next_stamp("", 3_913_000_000.0, TWO)
    assert receive_stamps(ours, [wild], NOW) == ours
    assert next_stamp(ours, 3_913_000_000.0, ONE)[:23] == ours[:23]
    near = write_stamp(round(NOW * 1000) + DRIFT_MS - 1000, 0, TWO)
    assert receive_stamps(ours, [wild, near, ours], NOW) == near


def test_a_dead_clock_is_forgiven():
    """A logbook begun at 1970 follows the true time as soon as the clock is set, even years on."""
    dead = next_stamp(next_stamp("", 0.0, ONE), 0.0, ONE)
    assert next_stamp(dead, 1_900_000_000.0, ONE).startswith("2030-03-17T17:46:40.000Z")


@pytest.mark.parametrize(
    "text", ["", "x", "2026-13-01T00:00:00.000Z-00000-1f0c22ab", "2026-01-01T00:00:00.000Z-00000-1F0C22AB"]
)
def test_what_is_no_stamp_is_refused(text):
    """Text of another shape, or of a month that is none, is ValueError."""
    with pytest.raises(ValueError):
        read_stamp(text)


def test_facts_are_stamped_in_order_when_the_clock_falls_back(tmp_path):
    """Rows written while the wall clock jumps back an hour are still listed as they happened."""
    walls = iter([NOW, NOW + 5, NOW - 3600, NOW - 3599, NOW + 7])
    with open_store(tmp_path / "a.sqlite", wall=lambda: next(walls)) as store:
        store.put(Farm, name="F", timezone="UTC")
        for name in "abcd":
            store.put(Operator, name=name)
        assert [o.name for o in store.all(Operator)] == list("abcd")


def test_many_bundles_take_a_clock_no_further_than_one():
    """Stamps a day ahead each time, from a hundred bundles: ours stay within a day of the wall clock."""
    ours = next_stamp("", NOW, ONE)
    for _ in range(100):
        ms, _count, _letters = read_stamp(ours)
        ours = receive_stamps(ours, [write_stamp(ms + DRIFT_MS, 0, TWO)], NOW)
    assert read_stamp(ours)[0] <= NOW * 1000 + DRIFT_MS


def test_stamps_beyond_all_clocks_count_only_in_steps():
    """Sixty edits each just after the last count in their order beyond the edge; one far ahead of them counts first."""
    stamps = [write_stamp(CEILING_MS - 1, 0, ONE)]
    for _ in range(60):
        ms, _count, _letters = read_stamp(stamps[-1])
        stamps.append(write_stamp(ms + 1, 0, TWO))
    wild = write_stamp(CEILING_MS + 5000, 0, ONE)
    assert in_effect([*stamps, wild], str) == [wild, *stamps]
