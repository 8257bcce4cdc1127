"""What her threshold is reckoned from: an ordinary steadiness first, her own as it becomes known."""

import numpy as np
import pytest
from scipy.special import chdtri

from cabapp.session.warnings.finished_ground import thresholds
from cabapp.session.warnings.spacing_estimate import ASSUMED, likely_sigma

T0 = 1_779_000_000.0


def test_nothing_known_is_an_ordinary_driver_and_the_receiver():
    """At first 0.6 m of steering and, squared, twice the receiver's error (a lap has two passes); at
    its upper 80 % bound for six pairs, which by chi-square is 1.40 and by our formula 1.24 times it."""
    bound = likely_sigma(0.0) / ASSUMED
    assert 1.2 < bound < np.sqrt(6 / chdtri(6, 0.8))
    assert (likely_sigma(0.3) / bound) ** 2 == pytest.approx(ASSUMED**2 + 2 * 0.3**2)
    assert likely_sigma(0.3, (None, 0), (None, 3)) == likely_sigma(0.3)


def test_her_own_outweighs_the_ordinary_with_time():
    """The more pairs of passes, the nearer to her own 0.3 m; never below it nor above the rest."""
    known = [likely_sigma(0.0, (0.3, n)) for n in (4, 12, 100)]
    assert known == sorted(known, reverse=True)
    assert 0.3 < known[-1] < 0.35 and known[0] < likely_sigma(0.0)


def test_a_lucky_start_does_not_make_the_warning_nervous():
    """Three passes that happened to lie within 0.1 m ask for 1.9 m of re-cover at least, not 1.4."""
    nervous, _ = thresholds(13.7, 0.1, 0.0)
    e_on, _ = thresholds(13.7, likely_sigma(0.0, (0.1, 3)), 0.0)
    assert nervous == pytest.approx(1.37) and e_on > 1.9


def test_her_passes_of_this_morning_are_known_after_noon(run, drive_rows):
    """Six passes in one stint; the next stint of hers on the field begins with their spread."""
    fixes = drive_rows([-100, -94.4, -88, -81.6, -76, -70])
    day = run(fixes, tick=5.0)
    day.take_over()
    day.until(T0 + 10.0)
    day.session.tap("start")
    day.until(fixes[-1].t)
    day.session.tap("finish")
    day.on(12.0)
    day.take_over()
    sigma, pairs = day.session._runner.count.lapped_before
    assert pairs == 5
    assert 0.2 < sigma < 0.8  # spacings 5.6, 6.4, 6.4, 5.6, 6.0
