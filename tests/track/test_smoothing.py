"""Noisy fixes are averaged along the way; good ones stay where they are."""

import numpy as np
import pytest

from cabapp.counting.areas.area_totals import area_totals
from cabapp.track.swath import SwathBuilder
from cabapp.track.swept_ground import SweptPieces
from cabapp.track.tool import ToolGeometry
from cabapp.track.work_switches import WorkSwitch


def swept(t, xy, sigma, at_once=True):
    sweeper = SwathBuilder(ToolGeometry(12.8))
    sweeper.switch(WorkSwitch(-1.0, True))
    error = np.full(len(t), sigma)
    if at_once:
        parts = [sweeper.feed(t, xy, sigma=error)]
    else:
        parts = [sweeper.feed(t[n : n + 1], xy[n : n + 1], sigma=error[n : n + 1]) for n in range(len(t))]
    return SweptPieces.join([*parts, sweeper.finish()], sweeper.leave)


def noisy(sigma, fixes=6000, radius=None):
    """Ten fixes a second at 3 m/s, straight north or round and round, with white noise."""
    random = np.random.default_rng(3)
    t = np.arange(fixes) / 10
    if radius is None:
        true = np.column_stack([0 * t, 3.0 * t])
    else:
        true = radius * np.column_stack([np.cos(3.0 * t / radius), np.sin(3.0 * t / radius)])
    return t, true, true + random.normal(0, sigma, true.shape)


@pytest.mark.parametrize("radius", [None, 15.0])
def test_a_clean_trace_is_never_moved_by_more_than_its_own_error(radius):
    """With 2 cm of error the way of the tool's middle lies within 2 cm (rms) of the true one."""
    t, true, xy = noisy(0.02, 1200, radius)
    middle = swept(t, xy, 0.02).quad[:, 2:].mean(axis=1)
    # how far every true place lies from the way, along lines from piece to piece
    a, b = middle[:-1], middle[1:]
    share = ((true[:, None] - a) * (b - a)).sum(axis=2) / ((b - a) ** 2).sum(axis=1)
    foot = a + np.clip(share, 0, 1)[:, :, None] * (b - a)
    off = np.hypot(*(true[:, None] - foot).transpose(2, 0, 1)).min(axis=1)
    assert 0 < np.sqrt((off[10:-10] ** 2).mean()) < 0.02


def test_noise_hardly_widens_a_straight_pass():
    """0.6 m of white noise at 10 fixes a second adds less than 2 % of area (3.4 % as they come)."""
    t, true, xy = noisy(0.6)
    found = area_totals([swept(t, xy, 0.6)], None)
    assert found.pass_area == pytest.approx(12.8 * true[-1, 1], rel=0.02)


def test_smoothing_cuts_off_no_turn():
    """Round and round at 20 m with 0.6 m of noise the middle of the tool stays on its circle."""
    t, _true, xy = noisy(0.6, 3000, 20.0)
    pieces = swept(t, xy, 0.6)
    radius = np.hypot(*pieces.quad[:, 2:].mean(axis=1).T)
    assert radius.mean() == pytest.approx(20.0, abs=0.15)


def test_smoothing_is_the_same_one_by_one():
    """Fixes fed singly give the very same pieces, a standstill in their midst included."""
    t, true, _ = noisy(0.0, 900)
    true[300:600] = true[300]
    true[600:] -= true[600] - true[300]
    xy = true + np.random.default_rng(8).normal(0, 0.5, true.shape)
    one, other = swept(t, xy, 0.5), swept(t, xy, 0.5, at_once=False)
    assert len(one) == len(other) > 100
    assert (one.quad == other.quad).all() and (one.s1 == other.s1).all()
    assert (one.t == other.t).all()
