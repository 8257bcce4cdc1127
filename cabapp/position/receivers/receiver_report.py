"""How a receiver is doing, in words, with what to do. Pure: recent fixes in, sentences out."""

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from statistics import median

from cabapp.position.calibration.fix_error import sigma_of
from cabapp.position.protocols.byte_decoder import TimedFix
from cabapp.track.receiver_error import pass_to_pass_error

LOST_S = 3.0
SPAN_S = 60.0
SLOWEST_S = 2.1
"""Fixes farther apart than this let a fast drive's turns be cut off, s (common practice: 1 Hz)."""
POOR_M = 3.0
"""Two passes that may be wrong by more than this cannot be told to touch, m (common practice)."""
LATE_S = 2.0
_FOOT, _INCH = 0.3048, 0.0254
BETTER_QUALITY = (4, 5, 2)
_MODES = {4: "RTK fixed", 5: "RTK float", 2: "differential corrections"}


@dataclass(frozen=True)
class ReceiverReport:
    """What the receiver check says.

    Attributes
    ----------
    state : str
        "good", "poor", "lost" or "none".
    words : str
        What is so.
    do : str
        What to do about it; "" when nothing.
    between : float or None
        Likely error between two neighbouring passes, m; 95 of 100 are better.
    every : float or None
        Seconds from fix to fix.
    late : float or None
        How much later than at its quickest a fix comes, s; 95 of 100 are quicker. The time from
        the receiver's moment to the tablet cannot be told from a difference of their clocks.
    """

    state: str
    words: str
    do: str = ""
    between: float | None = None
    every: float | None = None
    late: float | None = None


def say_small(metres: float, system: str) -> str:
    """Say a length one tells passes apart by, roughly.

    Examples
    --------
    >>> say_small(0.61, "us"), say_small(0.08, "us"), say_small(0.61, "metric")
    ('2 ft', '3 in', '60 cm')
    >>> say_small(2.8, "metric")
    '2.8 m'
    """
    if system == "us":
        feet = metres / _FOOT
        return f"{feet:.0f} ft" if feet >= 1.5 else f"{max(1, round(metres / _INCH)):.0f} in"
    if metres >= 1.0:
        return f"{metres:.1f} m"
    step = 0.1 if metres >= 0.2 else 0.01
    return f"{max(1, round(round(metres / step) * step * 100)):.0f} cm"


def judge(
    heard: Sequence[TimedFix], now: float, system: str, say_time: Callable[[float], str], state: str
) -> ReceiverReport:
    """Judge a receiver by its last fixes.

    Parameters
    ----------
    heard : sequence of TimedFix
        In order of arrival; those of the last minute count, older ones tell since when it is lost.
    now : float
        POSIX s, by the clock that took the times of arrival.
    system : str
        "us" or "metric".
    say_time : callable
        POSIX s to the farm's time of day.
    state : str
        The link, as `live.Receiver.state` says.

    Returns
    -------
    ReceiverReport

    Examples
    --------
    >>> from cabapp.position.fix import Fix
    >>> heard = [TimedFix(Fix(float(n), 52.0, -106.0, sigma=0.22), n + 0.1) for n in range(60)]
    >>> judge(heard, 60.0, "us", str, "good").words
    'Good to about 2 ft between passes.'
    >>> lost = judge(heard, 300.0, "us", lambda t: "10:42", "silent")
    >>> lost.words, lost.do
    ('I do not know where we are since 10:42.', "Look at the receiver's power and its cable.")
    """
    placed = [one for one in heard if one.fix.has_position]
    if not placed or now - placed[-1].at > LOST_S or not heard[-1].fix.has_position:
        since = f" since {say_time(placed[-1].at)}" if placed else ""
        words = f"I do not know where we are{since}."
        return ReceiverReport("lost" if placed else "none", words, _HELP[state])
    recent = [one for one in placed if now - one.at <= SPAN_S]
    between = pass_to_pass_error(sigma_of(one.fix) for one in recent[-20:])
    steps = [b.fix.t - a.fix.t for a, b in itertools.pairwise(recent)]
    every = median(steps) if steps else None
    latencies = sorted(one.latency for one in recent)
    late = latencies[int(0.95 * (len(latencies) - 1))] - latencies[0]
    good = between <= POOR_M
    words = f"{'Good' if good else 'Only good'} to about {say_small(between, system)} between passes."
    do = _advice(recent, between, every, late, say_time)
    return ReceiverReport("good" if good else "poor", words, do, between, every, late)


def _advice(recent, between, every, late, say_time) -> str:
    """Say the one thing most worth doing."""
    newest = recent[-1].fix
    for quality in BETTER_QUALITY:
        had = [one for one in recent if one.fix.quality == quality]
        if newest.quality == quality:
            break
        if had:
            return f"It had {_MODES[quality]} until {say_time(had[-1].at)}. Look at what brings the corrections."
    if newest.quality == 6:
        return "It only guesses from the last place (dead reckoning). Give it open sky."
    if newest.quality in (7, 8):
        return "It is set to a made-up place. Switch off its simulation."
    if between > POOR_M:
        return "Keep clear of trees and sheds, and look that the antenna sees the whole sky."
    if every is not None and every > SLOWEST_S:
        return f"It gives a place only every {every:.0f} s. Set it to once a second or faster."
    if late > LATE_S:
        return f"Its places come up to {late:.0f} s late. Use a cable, or a faster rate."
    return ""


_HELP = {
    "unused": "Choose a receiver, or count the passes by hand.",
    "absent": "Plug the receiver in, or switch it on. I keep looking.",
    "silent": "Look at the receiver's power and its cable.",
    "strange": "Set the receiver to NMEA 0183 with GGA and RMC sentences.",
    "blind": "Give it open sky for some minutes, and look at the antenna's cable.",
    "good": "Give it open sky for some minutes, and look at the antenna's cable.",
}
