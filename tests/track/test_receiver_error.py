"""What a receiver says of itself becomes two errors, by published relations."""

import numpy as np
import pytest
from scipy import stats

from cabapp.track.receiver_error import (
    DRIFT_S,
    KINDS,
    OF_QUALITY,
    edge_error,
    error_process,
    judge,
    named,
    of_error,
    pass_to_pass_error,
    spread,
)

R95 = np.sqrt(-2 * np.log(0.05))  # Rayleigh: 2.447747 sigma hold 95 %


def test_classes_agree_with_what_was_measured():
    """Classes lie at published 95 % figures: WAAS 1.062 m (2004), 3 to 8 m without corrections."""
    assert pytest.approx(2.447747, abs=1e-6) == R95
    # FAA WAAS PAN report 10, Nov 2004: 1.062 m at 95 %, Minneapolis
    assert KINDS["differential"].absolute * R95 == pytest.approx(1.062, abs=0.02)
    # GPS SPS Performance Standard: observed 2007 3 m at 95 %; 2020 promise 8 m
    assert 3.0 <= KINDS["autonomous"].absolute * R95 <= 8.0
    # Carballido et al. 2014: between-row sigma 1.43 and 2.55 cm
    assert KINDS["rtk"].relative == pytest.approx(0.0143, abs=0.001)
    assert KINDS["rtk"].absolute == pytest.approx(0.0255, abs=0.0001)
    # gps.gov: 4.9 m radius under open sky, read as 68 % (1.51 sigma)
    assert KINDS["phone"].absolute * np.sqrt(-2 * np.log(0.32)) == pytest.approx(4.9, abs=0.1)
    for kind in KINDS.values():
        assert 0 < kind.relative < kind.absolute


def test_hdop_times_a_range_error_is_the_drms():
    """HDOP 0.9 and 2.0 m make 1.8 m drms, 3.115 m at 95 % (National Academies 4920, appendix C)."""
    said = judge([0.0, 1.0], hdop=[0.9, 0.9], quality=[1, 1])
    assert said.basis == "stated HDOP"
    assert said.absolute[0] * np.sqrt(2) == pytest.approx(1.8, rel=1e-9)
    assert said.absolute[0] * R95 == pytest.approx(3.115, abs=0.001)
    assert judge([0.0], hdop=[2.0], quality=[4]).absolute[0] == pytest.approx(0.051)


def test_a_stated_error_outweighs_all_and_its_class_tells_the_relative():
    """A GST of 0.023 by 0.020 m (an RTK receiver's) is the absolute error; the relative is smaller."""
    sigma = np.sqrt((0.023**2 + 0.020**2) / 2)
    for quality in ([4], None):
        said = judge([0.0], [sigma], [5.0], quality)
        assert said.basis == "stated error"
        assert said.absolute[0] == pytest.approx(sigma)
        share = KINDS["rtk"].relative / KINDS["rtk"].absolute
        assert said.relative[0] == pytest.approx(sigma * share)


def test_quality_alone_gives_the_class_and_nothing_gives_an_assumption_in_words():
    """GGA 1, 2, 4, 5 are classes; a file that states nothing is taken for one without corrections."""
    for value, name in ((1, "autonomous"), (2, "differential"), (4, "rtk"), (5, "rtk-float")):
        said = judge([0.0], quality=[value])
        assert (said.relative[0], said.absolute[0]) == (KINDS[name].relative, KINDS[name].absolute)
        assert said.basis == "fix quality"
    said = judge([0.0, 1.0], [np.nan, 0.0], None, [-1, -1])
    assert said.basis == "not stated" and "not stated" in said.words
    assert said.absolute[0] == KINDS["autonomous"].absolute
    assert judge([]).absolute[0] == KINDS["autonomous"].absolute


def test_the_errors_follow_the_time():
    """RTK lost for a while is less certain only for that while."""
    said = judge(np.arange(6.0), quality=[4, 4, 1, 1, 4, 4])
    assert len(said.t) == 3
    absolute = said.at(np.array([-5.0, 1.5, 2.0, 3.9, 4.0, 99.0]))[1]
    rtk, none = KINDS["rtk"].absolute, KINDS["autonomous"].absolute
    assert absolute.tolist() == [rtk, rtk, none, none, rtk, rtk]


def test_what_a_person_says_is_taken_or_refused():
    """A class by name, one number or two; anything else is an error that says what is wrong."""
    assert named("rtk").absolute[0] == KINDS["rtk"].absolute
    assert (of_error(0.3).relative[0], of_error(0.3, 2.0).absolute[0]) == (0.3, 2.0)
    with pytest.raises(ValueError, match="no class"):
        named("good")
    with pytest.raises(ValueError):
        of_error(2.0, 1.0)


def test_two_edges_drift_apart_as_a_gauss_markov_process_does():
    """The spread of simulated pairs is that of the formula, from seconds to days, within 5 %."""
    relative, absolute = 0.15, 0.43
    random = np.random.default_rng(5)
    times = np.arange(0.0, 4e6, 300.0)
    drift = np.sqrt(absolute**2 - relative**2)
    error = drift * error_process(times, DRIFT_S, random) + relative * random.standard_normal(len(times))
    assert error.std() == pytest.approx(absolute, rel=0.05)
    edge = (np.array([relative]), np.array([absolute]))
    for steps in (1, 2, 6, 100):
        told = spread(edge, edge, np.array([True]), np.array([steps * 300.0]))[0]
        assert (error[steps:] - error[:-steps]).std() == pytest.approx(told, rel=0.05)
    apart = spread(edge, edge, np.array([False]), np.array([0.0]))[0]
    assert apart == pytest.approx(absolute * np.sqrt(2))


def test_the_error_of_an_edge_is_the_table_seen_a_quarter_of_an_hour_apart():
    """For every class the one figure lies between its two errors, grows with HDOP, and is that of
    two edges of one session 15 minutes apart (ISO 12188-1:2010's window)."""
    for quality, name in OF_QUALITY.items():
        kind = KINDS[name]
        got = edge_error(quality, None)
        assert kind.relative < got < kind.absolute
        drifted = 1 - np.exp(-900 / DRIFT_S)
        assert got**2 == pytest.approx(kind.relative**2 + (kind.absolute**2 - kind.relative**2) * drifted)
        assert edge_error(quality, 2.5) == pytest.approx(2.5 * got)
        assert edge_error(quality, 0.5) == got


def test_the_error_from_pass_to_pass_is_what_95_of_100_stay_below():
    """Drawn from a normal distribution, the sideways error of two passes is below it 95 times in 100."""
    sigma = 0.4
    limit = pass_to_pass_error([sigma])
    rng = np.random.default_rng(1)
    errors = np.abs(rng.normal(0, sigma, 200_000) - rng.normal(0, sigma, 200_000))
    assert np.mean(errors < limit) == pytest.approx(0.95, abs=0.003)
    assert limit == pytest.approx(stats.norm.ppf(0.975) * np.hypot(sigma, sigma), rel=1e-3)
    assert pass_to_pass_error([0.1, 0.4, 9.0]) == pytest.approx(limit)
