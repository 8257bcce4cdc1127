"""What the receiver screen says, put together from what the receiver gave. No Kivy."""

from statistics import median

from cabapp.position.receivers.receiver_report import ReceiverReport, assess
from cabapp.screens.widgets.translation import translate

CLOCKS_AGREE_S = 3.0
FOOT, INCH = 0.3048, 0.0254


def report_on(source, now: float) -> ReceiverReport:
    """Return the report on the selected receiver, given the time of the last poll."""
    return assess(source.recent, source.arrival_now(now), source.state)


def facts(source, report: ReceiverReport) -> str:
    """Return how often, from how many satellites and how late places come; "" when none do."""
    if report.interval is None:
        return translate(source.trouble or "")
    said = [translate("A place every {seconds} s.", seconds=f"{report.interval:.2g}")]
    if source.latest.get("satellites"):
        said = [
            translate(
                "A place every {seconds} s, from {count} satellites.",
                seconds=f"{report.interval:.2g}",
                count=source.latest["satellites"],
            )
        ]
    late = median(one.latency for one in source.recent[-50:])
    if abs(late) > CLOCKS_AGREE_S:
        said.append(
            translate(
                "This tablet's clock is {seconds} s off; the satellites' time is taken.", seconds=f"{abs(late):.0f}"
            )
        )
    else:
        said.append(translate("It is here {seconds} s after its moment.", seconds=f"{max(late, 0.0):.2f}"))
    return " ".join(said + ([translate(source.trouble)] if source.trouble else []))


def format_offset(metres: float, system: str) -> str:
    """Say an offset as it is typed into a hitching: feet with a decimal, or metres with two.

    >>> format_offset(0.41, "us"), format_offset(0.41, "metric")
    ('1.3 ft', '0.41 m')
    """
    return f"{metres / FOOT:.1f} ft" if system == "us" else f"{metres:.2f} m"


def format_span(metres: float, system: str) -> str:
    """Say a measured length as a tape shows it.

    >>> format_span(1.3, "us"), format_span(-1.3, "us"), format_span(1.3, "metric"), format_span(0.3 * 0.3048, "us")
    ('4 ft 3 in', '-4 ft 3 in', '1.30 m', '4 in')
    """
    if system != "us":
        return f"{metres:.2f} m"
    inches = round(abs(metres) / INCH)
    feet, rest = divmod(inches, 12)
    said = " ".join(part for part in (f"{feet} ft" if feet else "", f"{rest} in" if rest or not feet else "") if part)
    return f"-{said}" if metres < 0 and inches else said


def format_antenna(antenna, system: str) -> str:
    """Say where an antenna sits, seen from the one the hitchings are measured from."""
    if antenna is None:
        return translate("not said yet")
    if not antenna.away:
        return translate("the hitchings are measured from it")
    values = {"along": format_span(abs(antenna.ahead), system), "aside": format_span(abs(antenna.right), system)}
    if antenna.ahead >= 0 and antenna.right >= 0:
        return translate("{along} ahead, {aside} to the right", **values)
    if antenna.ahead >= 0:
        return translate("{along} ahead, {aside} to the left", **values)
    if antenna.right >= 0:
        return translate("{along} behind, {aside} to the right", **values)
    return translate("{along} behind, {aside} to the left", **values)
