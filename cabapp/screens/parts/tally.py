"""Tally hatching: pass counts drawn by the graphics chip. Knows bytes and metres, no field and no job."""

import math
from pathlib import Path

import numpy as np
from kivy.graphics import Color, Rectangle, RenderContext
from kivy.graphics.texture import Texture
from kivy.properties import ColorProperty, NumericProperty
from kivy.uix.widget import Widget

SHADER = Path(__file__).with_name("tally.glsl").read_text(encoding="utf-8")
UNKNOWN = 255  # the byte of a cell for which there is no trustworthy position
PEN_MM, GAP_MM = 0.5, 2.5


class Tally(Widget):
    """A picture of counts: bare, single strokes, crossed strokes, solid block; stippled where unknown.

    The picture looks at the ground through `look`; strokes keep their size on the screen.
    """

    ink = ColorProperty((0, 0, 0, 1))
    paper = ColorProperty((1, 1, 1, 1))
    u = NumericProperty(5.9)
    target = NumericProperty(2)

    def __init__(self, columns: int, rows: int, **kwargs):
        self.canvas = RenderContext(use_parent_projection=True, use_parent_modelview=True, use_parent_frag_modelview=True)
        self.canvas.shader.fs = SHADER
        if not self.canvas.shader.success:
            raise RuntimeError("the graphics driver refused the tally shader")
        self.shape = (rows, columns)
        self.texture = Texture.create(size=(columns, rows), colorfmt="luminance", bufferfmt="ubyte")
        self.texture.mag_filter = self.texture.min_filter = "nearest"
        self._counts = np.zeros(self.shape, np.uint8)
        self.texture.add_reload_observer(lambda _texture: self.show(self._counts))
        super().__init__(**kwargs)
        with self.canvas:
            Color(1, 1, 1, 1)
            self._sheet = Rectangle(texture=self.texture, tex_coords=(0, 0, 1, 0, 1, 1, 0, 1))
        self.canvas["texels"] = (float(columns), float(rows))
        self.show(self._counts)
        self.look((columns / 2, rows / 2), 0.0, 1.0, 1.0)
        self.lean(math.radians(55))
        for name in ("pos", "size", "ink", "paper", "u", "target"):
            self.fbind(name, self._restate)
        self._restate()

    def show(self, counts: np.ndarray, column: int = 0, row: int = 0) -> None:
        """Put counts into the picture.

        Parameters
        ----------
        counts : ndarray of uint8, shape (rows, columns)
            Counts, row 0 in the south; UNKNOWN where there is no trustworthy position.
        column, row : int
            Cell of the texture where the first count goes.
        """
        height, width = counts.shape
        self._counts[row : row + height, column : column + width] = counts
        self.texture.blit_buffer(
            np.ascontiguousarray(counts).tobytes(), pos=(column, row), size=(width, height),
            colorfmt="luminance", bufferfmt="ubyte",
        )
        self.canvas.ask_update()

    def look(self, centre, turn: float, scale: float, cell: float) -> None:
        """Choose the ground in view.

        Parameters
        ----------
        centre : (float, float)
            Ground at the middle of the picture, metres from the south-west corner of the texture.
        turn : float
            Angle of the picture's right-hand side against east, radians counter-clockwise.
        scale : float
            Pixels in a metre.
        cell : float
            Metres in a cell of the texture.
        """
        self.canvas["centre"] = (float(centre[0]), float(centre[1]))
        self.canvas["turn"] = (math.cos(turn), math.sin(turn))
        self.canvas["scale"] = float(scale)
        self.canvas["cell"] = float(cell)

    def lean(self, angle: float) -> None:
        """Set the direction of the strokes on the ground, radians counter-clockwise from east."""
        self.canvas["lean"] = (math.cos(angle), math.sin(angle))

    def _restate(self, *_changed):
        self._sheet.pos, self._sheet.size = self.pos, self.size
        self.canvas["area"] = (float(self.width), float(self.height))
        self.canvas["ink"], self.canvas["paper"] = tuple(self.ink), tuple(self.paper)
        self.canvas["pen"], self.canvas["gap"] = PEN_MM * self.u, GAP_MM * self.u
        self.canvas["target"] = float(self.target)
