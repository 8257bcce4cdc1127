"""The running estimate of how evenly passes are spaced."""

import math
from types import SimpleNamespace

import numpy as np
import pytest

from cabapp.counting.live_spacing import LiveSpacing


def pass_at(y, heading, wander=0.0, rng=None, length=300.0):
    """Give the poses of a straight pass with white sideways wander."""
    xs = np.arange(-length / 2, length / 2, 2.0)
    for x in xs if heading == 0 else xs[::-1]:
        aside = y + (rng.normal(0, wander) if rng is not None else 0.0)
        yield SimpleNamespace(left=(x, aside), right=(x, aside), heading=heading, curvature=0.0)


def test_steadiness_is_the_spread_of_spacings_between_passes():
    """Passes set out with 0.5 m of spread in their spacing are found to have it."""
    rng = np.random.default_rng(3)
    spacings = 6.0 + rng.normal(0, 0.5, 12)
    lapping = LiveSpacing()
    for k, y in enumerate(np.cumsum(spacings)):
        for pose in pass_at(y, 0.0 if k % 2 == 0 else math.pi):
            lapping.feed(pose, 6.0)
    # the last pass has not ended: eleven passes, ten spacings
    assert lapping.sigma == pytest.approx(spacings[1:11].std(ddof=1), rel=1e-6)


def test_wander_within_a_pass_counts_too():
    """White wander of 0.3 m in each of two neighbours spreads their distance by 0.42 m."""
    rng = np.random.default_rng(5)
    lapping = LiveSpacing()
    for k in range(8):
        for pose in pass_at(6.0 * k, 0.0 if k % 2 == 0 else math.pi, 0.3, rng):
            lapping.feed(pose, 6.0)
    assert lapping.sigma == pytest.approx(0.3 * math.sqrt(2), rel=0.15)


def test_steadiness_is_unknown_until_three_pairs():
    """Two passes, short drives and drives across say nothing."""
    lapping = LiveSpacing()
    for k in range(3):
        for pose in pass_at(6.0 * k, 0.0 if k % 2 == 0 else math.pi):
            lapping.feed(pose, 6.0)
    assert lapping.sigma is None
    for k in range(20):
        for pose in pass_at(6.0 * k, 0.0 if k % 2 == 0 else math.pi, length=30.0):
            lapping.feed(pose, 6.0)
    assert lapping.sigma is None


def test_a_pass_a_lap_away_or_across_the_others_says_nothing():
    """Of passes at 0, 6, 12, 30 and 36 m, meant 6 m apart, three pairs count; one at right angles none."""
    spacing = LiveSpacing()
    for k, y in enumerate((0.0, 6.0, 12.0, 30.0, 36.0, 42.0)):
        for pose in pass_at(y, 0.0 if k % 2 == 0 else math.pi):
            spacing.feed(pose, 6.0)
    assert spacing.pairs == 3  # the last pass has not ended
    for y in np.arange(-150.0, 150.0, 2.0):
        spacing.feed(SimpleNamespace(left=(200.0, y), right=(200.0, y)), 6.0)
    assert spacing.pairs == 4  # now it has
    for x in np.arange(200.0, -150.0, -2.0):
        spacing.feed(SimpleNamespace(left=(x, 160.0), right=(x, 160.0)), 6.0)
    assert spacing.pairs == 4
