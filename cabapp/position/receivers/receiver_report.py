"""The state of a receiver from its recent fixes, with what to do about it. Pure."""

import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

from cabapp.common.message import N_
from cabapp.common.quantities import ClockTime, SmallLength
from cabapp.position.calibration.fix_error import sigma_of
from cabapp.position.protocols.byte_decoder import TimedFix
from cabapp.track.receiver_error import pass_to_pass_error
from store.errors import Message, message

LOST_S = 3.0
SPAN_S = 60.0
SLOWEST_S = 2.1
"""Fixes farther apart than this let a fast drive's turns be cut off, s (common practice: 1 Hz)."""
POOR_M = 3.0
"""Two passes that may be wrong by more than this cannot be told to touch, m (common practice)."""
LATE_S = 2.0
_LOST_QUALITY = {
    4: N_("It had RTK fixed until {time}. Look at what brings the corrections."),
    5: N_("It had RTK float until {time}. Look at what brings the corrections."),
    2: N_("It had differential corrections until {time}. Look at what brings the corrections."),
}
"""By GGA quality, the best first."""
_SIMULATED = N_("It is set to a made-up place. Switch off its simulation.")
_QUALITY = {
    6: N_("It only guesses from the last place (dead reckoning). Give it open sky."),
    7: _SIMULATED,
    8: _SIMULATED,
}
_SKY = N_("Give it open sky for some minutes, and look at the antenna's cable.")
_HELP = {
    "unused": N_("Choose a receiver, or count the passes by hand."),
    "absent": N_("Plug the receiver in, or switch it on. I keep looking."),
    "silent": N_("Look at the receiver's power and its cable."),
    "strange": N_("Set the receiver to NMEA 0183 with GGA and RMC sentences."),
    "blind": _SKY,
    "good": _SKY,
}


@dataclass(frozen=True)
class ReceiverReport:
    """The state of a receiver.

    Attributes
    ----------
    state : str
        "good", "poor", "lost" or "none".
    summary : Message
    advice : Message or None
        The one thing most worth doing.
    pass_error : float or None
        Likely error between two neighbouring passes, m; 95 of 100 are better.
    interval : float or None
        Seconds from fix to fix.
    lateness : float or None
        How much later than at its quickest a fix comes, s; 95 of 100 are quicker. The time from
        the receiver's epoch to the tablet cannot be told from a difference of their clocks.
    """

    state: str
    summary: Message
    advice: Message | None = None
    pass_error: float | None = None
    interval: float | None = None
    lateness: float | None = None


def assess(recent: Sequence[TimedFix], now: float, state: str) -> ReceiverReport:
    """Return the report on a receiver's last fixes.

    Parameters
    ----------
    recent : sequence of TimedFix
        In order of arrival; those of the last minute count, older ones tell since when it is lost.
    now : float
        POSIX s, by the clock that took the times of arrival.
    state : str
        As `ReceiverThread.state`, or "unused".

    Examples
    --------
    >>> from cabapp.position.fix import Fix
    >>> recent = [TimedFix(Fix(float(n), 52.0, -106.0, sigma=0.22), n + 0.1) for n in range(60)]
    >>> str(assess(recent, 60.0, "good").summary)
    'Good to about 2 ft between passes.'
    >>> lost = assess(recent, 300.0, "silent")
    >>> str(lost.summary), str(lost.advice)
    ('I do not know where we are since 00:00.', "Look at the receiver's power and its cable.")
    """
    placed = [one for one in recent if one.fix.has_position]
    if not placed:
        return ReceiverReport("none", message("I do not know where we are."), message(_HELP[state]))
    if now - placed[-1].at > LOST_S or not recent[-1].fix.has_position:
        since = ClockTime(placed[-1].at)
        lost = message("I do not know where we are since {time}.", time=since)
        return ReceiverReport("lost", lost, message(_HELP[state]))
    placed = [one for one in placed if now - one.at <= SPAN_S]
    pass_error = pass_to_pass_error(sigma_of(one.fix) for one in placed[-20:])
    steps = [b.fix.t - a.fix.t for a, b in itertools.pairwise(placed)]
    interval = median(steps) if steps else None
    latencies = sorted(one.latency for one in placed)
    lateness = latencies[int(0.95 * (len(latencies) - 1))] - latencies[0]
    length = SmallLength(pass_error)
    if pass_error <= POOR_M:
        state, summary = "good", message("Good to about {length} between passes.", length=length)
    else:
        state, summary = "poor", message("Only good to about {length} between passes.", length=length)
    advice = _advice(placed, pass_error, interval, lateness)
    return ReceiverReport(state, summary, advice, pass_error, interval, lateness)


def _advice(placed: Sequence[TimedFix], pass_error: float, interval: float | None, lateness: float) -> Message | None:
    """Return the one thing most worth doing."""
    newest = placed[-1].fix.quality
    for quality, sentence in _LOST_QUALITY.items():
        if newest == quality:
            break
        had = [one.at for one in placed if one.fix.quality == quality]
        if had:
            return message(sentence, time=ClockTime(had[-1]))
    if newest in _QUALITY:
        return message(_QUALITY[newest])
    if pass_error > POOR_M:
        return message("Keep clear of trees and sheds, and look that the antenna sees the whole sky.")
    if interval is not None and interval > SLOWEST_S:
        return message(
            "It gives a place only every {seconds} s. Set it to once a second or faster.", seconds=f"{interval:.0f}"
        )
    if lateness > LATE_S:
        return message(
            "Its places come up to {seconds} s late. Use a cable, or a faster rate.", seconds=f"{lateness:.0f}"
        )
    return None
