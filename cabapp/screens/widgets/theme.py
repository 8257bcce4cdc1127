"""Paper, ink and sizes: what every screen is drawn with. Knows no screen and no session.

Lengths on the screens are written in millimetres of a 10-inch tablet (216 x 129.5 mm, or upright
129.5 x 216), the smallest on which every gloved target keeps its size. A larger screen draws
everything larger; a smaller one shrinks it all alike, and `Theme.true_scale` then says so.
"""

from dataclasses import dataclass

from kivy.event import EventDispatcher
from kivy.properties import BooleanProperty, ColorProperty, NumericProperty, OptionProperty
from kivy.utils import get_color_from_hex

PAGE_MM = (216.0, 129.5)
NOTICE_MM = 17.2  # two lines of the smallest letters, and their edges
CAP_OF_ROBOTO = 1456 / 2048  # height of a capital as a share of the font size, from the font file


@dataclass(frozen=True)
class Palette:
    """Colours as #RRGGBB; `accent_ink` is the ink of words printed on the accent."""

    name: str
    paper: str
    ink: str
    rule: str
    accent: str
    accent_ink: str


# The accent is class 5 of ColorBrewer's YlOrRd (9), a scheme published as safe for the colour-blind;
# it is a lighter vermilion, since black on #D55E00 reaches only 5.4:1.
DAY = Palette("day", "#F4EEDC", "#15130E", "#A79F8A", "#FD8D3C", "#15130E")
DUSK = Palette("dusk", "#C9BE9F", "#15130E", "#867D66", "#FD8D3C", "#15130E")
NIGHT = Palette("night", "#0C0B08", "#C99A45", "#5A4724", "#FD8D3C", "#0C0B08")


class Theme(EventDispatcher):
    """The colours and the scale in force; screens bind to it and follow every change."""

    light = OptionProperty("day", options=("day", "dusk", "night"))
    paper = ColorProperty()
    ink = ColorProperty()
    rule = ColorProperty()
    accent = ColorProperty()
    accent_ink = ColorProperty()
    u = NumericProperty(5.9)  # pixels in one layout millimetre
    cap = NumericProperty(8.3)  # font size that makes a capital one layout millimetre high
    notice = NumericProperty(100.0)  # height of a message over the head of a screen, px
    true_scale = NumericProperty(1.0)  # real millimetres in one layout millimetre
    tall = BooleanProperty(False)  # the tablet stands upright

    def __init__(self, **kwargs):
        super().__init__(**kwargs)
        self.on_light(self, self.light)

    @property
    def palette(self) -> Palette:
        return {"day": DAY, "dusk": DUSK, "night": NIGHT}[self.light]

    def on_light(self, _theme, _light):
        """Take the colours of the day, the dusk or the night."""
        palette = self.palette
        for name in ("paper", "ink", "rule", "accent", "accent_ink"):
            setattr(self, name, get_color_from_hex(getattr(palette, name)))

    def fit(self, width_px: float, height_px: float, dpi: float) -> None:
        """Set the scale for a window.

        `width_px`, `height_px`: size of the window, pixels.
        `dpi`: real density of the tablet, pixels per inch.
        """
        long, short = max(width_px, height_px), min(width_px, height_px)
        self.tall = height_px > width_px
        self.u = min(long / PAGE_MM[0], short / PAGE_MM[1])
        self.notice = NOTICE_MM * self.u
        self.cap = self.u / CAP_OF_ROBOTO
        self.true_scale = self.u / (dpi / 25.4)

    def mm(self, length: float) -> float:
        """Return the pixels of a length in layout millimetres."""
        return length * self.u


THEME = Theme()
"""The one theme of the running cab."""
