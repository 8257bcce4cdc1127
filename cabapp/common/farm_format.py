"""Times, lengths of time, money and places as a farm writes them; knows no store."""

from copy import copy
from datetime import datetime, timedelta
from math import atan2, degrees, hypot
from typing import Any, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from babel import Locale, UnknownLocaleError
from babel.dates import format_date, format_skeleton

from cabapp.common.units import Units
from cabapp.geometry.plane import offset

ENGLISH = Locale("en")

_POINTS = ("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW")


class FarmFormat:
    """One farm's way of saying times, lengths of time and places.

    `zone`: name of the farm's time zone; None: this machine's own.
    `currency`: the sign or word its money is written with; None when the farm has not said.

    >>> words = FarmFormat("America/Chicago", Units("us"))
    >>> words.time(1778780400), words.day(1778780400), words.when(1778780400)
    ('12:40', 'Thursday 14 May 2026', '14 May 12:40')
    >>> words.duration(3 * 3600 + 24 * 60 + 40), words.duration(55), words.duration(None)
    ('3 h 25 min', '55 s', '–')
    >>> words.zone_words(1778780400)
    'CDT, UTC−05:00'
    """

    def __init__(self, zone: str | None, units: Units, currency: str | None = None):
        try:
            self.zone = None if zone is None else ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError):
            # A zone this machine does not know: true times, and the page says UTC.
            self.zone = ZoneInfo("UTC")
        self.units = units
        self.currency = (currency or "").strip()
        self.language = ENGLISH

    def in_language(self, language: str | None) -> Self:
        """The same with days and months named as in a locale ("de"); English for None or an unknown one."""
        other = copy(self)
        try:
            other.language = Locale.parse(language or "en")
        except (ValueError, UnknownLocaleError):
            other.language = ENGLISH
        return other

    def local(self, t: float) -> datetime:
        """A time on the farm's clock."""
        return datetime.fromtimestamp(t, self.zone)

    def time(self, t: float | None) -> str:
        """Hours and minutes."""
        return "–" if t is None else f"{self.local(t):%H:%M}"

    def second(self, t: float | None) -> str:
        """Hours, minutes and seconds."""
        return "–" if t is None else f"{self.local(t):%H:%M:%S}"

    def day(self, t: float) -> str:
        """The day in full."""
        here = self.local(t)
        return f"{here:%A} {here.day} {here:%B %Y}"

    def short_day(self, t: float | None) -> str:
        """The day without its year.

        >>> words = FarmFormat("UTC", Units("us"))
        >>> words.short_day(1778780400), words.in_language("de").short_day(1778780400)
        ('Thursday 14 May', 'Do., 14. Mai')
        """
        if t is None:
            return "–"
        day = self.local(t).date()
        if self.language == ENGLISH:
            return format_date(day, "EEEE d MMMM", ENGLISH)
        return format_skeleton("MMMEd", day, locale=self.language)

    def when(self, t: float | None) -> str:
        """Day, month, hours and minutes."""
        if t is None:
            return "–"
        here = self.local(t)
        return f"{here.day} {here:%b %H:%M}"

    def zone_words(self, t: float) -> str:
        """The zone's short name and its offset at that time."""
        here = self.local(t)
        minutes = round((here.utcoffset() or timedelta()).total_seconds() / 60)
        sign = "−" if minutes < 0 else "+"
        offset = f"UTC{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
        name = here.tzname() or ""
        return offset if name[:1] in "+-" else f"{name}, {offset}"

    def duration(self, seconds: float | None) -> str:
        """A length of time; elapsed seconds, so a change of the clock does not matter."""
        if seconds is None:
            return "–"
        if seconds < 90:
            return f"{seconds:.0f} s"
        minutes = round(seconds / 60)
        return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {minutes % 60:02d} min"

    def rough_duration(self, seconds: float | None) -> str:
        """A length of time as one would say it: to 5 minutes from an hour on.

        >>> words = FarmFormat("UTC", Units("us"))
        >>> words.rough_duration(200), words.rough_duration(40 * 60 + 20), words.rough_duration(4300)
        ('3 min', '40 min', '1 h 10')
        """
        if seconds is None:
            return "–"
        minutes = max(1, round(seconds / 60))
        return f"{minutes} min" if minutes < 60 else f"{minutes // 60} h {5 * (minutes % 60 // 5):02d}"

    def work_hours(self, seconds: float | None) -> str:
        """Hours of work, with one decimal under ten.

        >>> words = FarmFormat("UTC", Units("us"))
        >>> words.work_hours(39600), words.work_hours(5400), words.work_hours(900)
        ('11 h', '1.5 h', '15 min')
        """
        if seconds is None:
            return "–"
        if seconds < 3600:
            return f"{max(1, round(seconds / 60))} min"
        return f"{seconds / 3600:.0f} h" if seconds >= 9.5 * 3600 else f"{seconds / 3600:.1f} h"

    def money(self, cents: float | None) -> str:
        """Money in hundredths as a book has it: a sign before the figure, a word behind it.

        >>> dollars, crowns = FarmFormat("UTC", Units("us"), "$"), FarmFormat("UTC", Units("us"), "CAD")
        >>> dollars.money(123456), dollars.money(-5), crowns.money(5.25), dollars.money(None)
        ('$1,234.56', '−$0.05', '0.05 CAD', '–')
        >>> FarmFormat("UTC", Units("us")).money(123456)
        '1,234.56'
        """
        if cents is None:
            return "–"
        figure = f"{abs(cents) / 100:,.2f}"
        if self.currency.isalpha():
            figure += f" {self.currency}"
        else:
            figure = self.currency + figure
        return "−" + figure if cents <= -0.5 else figure

    def swept(self, m2: float) -> str:
        """The pass area of a piece of work; none is a dash, for where nobody looked nothing is known.

        >>> FarmFormat("UTC", Units("us")).swept(438681.0), FarmFormat("UTC", Units("us")).swept(0.0)
        ('108.4 ac', '–')
        """
        return self.area(m2 or None)

    def area(self, m2: float | None) -> str:
        """An area as a record keeps it: a decimal more than the cab shows.

        >>> FarmFormat("UTC", Units("us")).area(438681.0), FarmFormat("UTC", Units("metric")).area(4386.81)
        ('108.4 ac', '0.44 ha')
        """
        value = self.units.area_value(m2)
        if value is None:
            return "–"
        unit = self.units.unit("area")
        if 0 < value < 0.005:
            return f"under 0.01 {unit}"
        return f"{value:.{2 if value < 9.95 else 1}f} {unit}"

    def from_gate(self, lat: float, lon: float, gate: tuple[float, float] | None) -> str:
        """Where a place is, from the gate, or its coordinates when there is no gate.

        >>> words = FarmFormat("America/Chicago", Units("metric"))
        >>> words.from_gate(47.6450, -87.4600, (47.6400, -87.4600))
        '0.6 km N of the gate'
        >>> words.from_gate(47.6450, -87.4600, None)
        '47.64500, −87.46000'
        """
        if gate is None:
            return f"{lat:.5f}, {lon:.5f}".replace("-", "−")
        east, north = offset(*gate, lat, lon)
        point = _POINTS[round(degrees(atan2(east, north)) / 22.5) % 16]
        return f"{self.units.distance(hypot(north, east))} {point} of the gate"


def words_of(farm: Any) -> FarmFormat:
    """A farm's way of saying things; UTC and US units until one is written down."""
    if farm is None:
        return FarmFormat("UTC", Units("us"))
    return FarmFormat(farm.timezone, Units(farm.units), farm.currency)
