"""What a receiver says of itself becomes two errors, by published relations."""

import numpy as np
import pytest
from scipy.special import ndtri

from cabapp.track.receiver_error import (
    KINDS,
    LEAST_S,
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
    assert said.basis == "fix quality and HDOP"
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
        assert said.relative[0] == pytest.approx(sigma * 1.43 / 2.55)


def test_quality_alone_gives_the_class_and_nothing_gives_an_assumption_in_words():
    """GGA 1, 2, 4, 5 are classes; a file that states nothing is no better than a phone's."""
    for value, name in ((1, "autonomous"), (2, "differential"), (4, "rtk"), (5, "rtk-float")):
        said = judge([0.0], quality=[value])
        assert (said.relative[0], said.absolute[0]) == (KINDS[name].relative, KINDS[name].absolute)
        assert said.basis == "fix quality"
    said = judge([0.0, 1.0], [np.nan, 0.0], None, [-1, -1])
    assert said.basis == "not stated" and "not stated" in said.words
    assert said.absolute[0] == judge([]).absolute[0] == max(kind.absolute for kind in KINDS.values())


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


def test_two_edges_are_apart_as_a_process_of_the_shortest_memory_is():
    """The spread of simulated pairs is that of the formula, from seconds to days; of a longer memory it is less."""
    from scipy.signal import lfilter  # here: all workers load this module, one runs the test

    relative, absolute = 0.15, 0.43
    random = np.random.default_rng(5)
    edge = (np.array([relative]), np.array([absolute]))
    for memory, sign in ((LEAST_S, 0), (10 * LEAST_S, -1)):
        # an autoregression of scipy's, one value each 20 s, and a part that is new each time
        keep = np.exp(-20.0 / memory)
        wander = lfilter([np.sqrt(1 - keep**2)], [1, -keep], random.standard_normal(200_000))
        error = np.sqrt(absolute**2 - relative**2) * wander + relative * random.standard_normal(len(wander))
        assert error.std() == pytest.approx(absolute, rel=0.05)
        for steps in (1, 3, 10, 300):
            told = spread(edge, edge, np.array([True]), np.array([steps * 20.0]))[0]
            found = (error[steps:] - error[:-steps]).std()
            assert found == pytest.approx(told, rel=0.03) if sign == 0 or steps == 300 else found < told
    apart = spread(edge, edge, np.array([False]), np.array([0.0]))[0]
    assert apart == pytest.approx(absolute * np.sqrt(2))


def test_an_error_process_has_the_autocorrelation_of_its_memory():
    """After one memory the correlation is 1/e, after three 1/e^3, within what 100,000 values tell."""
    process = error_process(np.arange(100_000) * 10.0, 120.0, np.random.default_rng(2))
    assert process.std() == pytest.approx(1.0, rel=0.03)
    for memories in (1, 3):
        steps = 12 * memories
        assert np.corrcoef(process[:-steps], process[steps:])[0, 1] == pytest.approx(np.exp(-memories), abs=0.03)


def test_the_typical_error_of_an_edge_is_the_part_that_was_measured_between_rows():
    """For every class between rows 1.43 / 2.55 of the absolute error (Carballido et al. 2014), times HDOP above 1;
    two passes without corrections are then within what Maldaner et al. 2021 measured on a rail, 0.98 to 2.25 m at 95 %."""
    for quality, name in OF_QUALITY.items():
        got = edge_error(quality, None)
        assert got == pytest.approx(KINDS[name].absolute * 1.43 / 2.55)
        assert edge_error(quality, 2.5) == pytest.approx(2.5 * got)
        assert edge_error(quality, 0.5) == got
    assert edge_error(None, None) == edge_error(6, None)
    assert 0.98 <= pass_to_pass_error([edge_error(1, None)]) <= 2.25


def test_what_lies_between_slow_fixes_is_less_sure():
    """A fix each 10 s at 2.5 m/s adds 0.18 m across, as on a recorded seeding thinned (`logging_interval`); 1 Hz nothing."""
    for interval, added in ((1.0, 0.0072), (10.0, 0.1812)):
        t = np.arange(50) * interval
        xy = np.column_stack([np.zeros(50), 2.5 * t])
        said = judge(t, np.full(50, 0.02), xy=xy)
        assert said.absolute[0] == pytest.approx(np.hypot(0.02, added), rel=0.01)
        assert said.absolute[0] == judge(t, np.full(50, 0.02), xy=np.where(t[:, None] > 5, xy, np.nan)).absolute[0]
    assert judge([5.0], [0.02], xy=[[0.0, 0.0]]).absolute[0] == 0.02


def test_the_error_from_pass_to_pass_is_what_95_of_100_stay_below():
    """Drawn from a normal distribution, the sideways error of two passes is below it 95 times in 100."""
    sigma = 0.4
    limit = pass_to_pass_error([sigma])
    rng = np.random.default_rng(1)
    errors = np.abs(rng.normal(0, sigma, 200_000) - rng.normal(0, sigma, 200_000))
    assert np.mean(errors < limit) == pytest.approx(0.95, abs=0.003)
    assert limit == pytest.approx(ndtri(0.975) * np.hypot(sigma, sigma), rel=1e-3)
    assert pass_to_pass_error([0.1, 0.4, 9.0]) == pytest.approx(limit)
