"""Tally hatching: pass counts drawn by the graphics chip. Knows bytes and metres, no field and no job."""

import math
from functools import lru_cache
from pathlib import Path

import numpy as np
from kivy.graphics import BindTexture, Color, Rectangle, RenderContext
from kivy.graphics.texture import Texture
from kivy.properties import ColorProperty, NumericProperty
from kivy.uix.widget import Widget

SHADERS = [
    Path(__file__).with_name(name).read_text(encoding="utf-8") for name in ("hatching_corners.glsl", "hatching.glsl")
]
UNKNOWN = 255  # the byte of a cell for which there is no trustworthy position
PEN_MM, GAP_MM = 0.5, 2.5
GAPS, DOTS = 4, 5  # of strokes and of dots across the picture that is repeated


class HatchingTexture(Widget):
    """A picture of counts: bare, single strokes, crossed strokes, solid block; stippled where unknown.

    The picture looks at the ground through `look`; strokes keep their size on the screen.
    """

    ink = ColorProperty((0, 0, 0, 1))
    paper = ColorProperty((1, 1, 1, 1))
    u = NumericProperty(5.9)
    target = NumericProperty(2)

    def __init__(self, columns: int, rows: int, **kwargs):
        self.canvas = RenderContext(
            use_parent_projection=True, use_parent_modelview=True, use_parent_frag_modelview=True
        )
        self.canvas.shader.vs, self.canvas.shader.fs = SHADERS
        if not self.canvas.shader.success:
            raise RuntimeError("the graphics driver refused the tally shader")
        self.shape = (rows, columns)
        self.texture = Texture.create(size=(columns, rows), colorfmt="rgba", bufferfmt="ubyte")
        self.texture.mag_filter = self.texture.min_filter = "linear"
        self._counts = np.zeros(self.shape, np.uint8)
        self._meanings = _texels(2)
        self.texture.add_reload_observer(lambda _texture: self.show(self._counts))
        super().__init__(**kwargs)
        with self.canvas:
            self._strokes = BindTexture(index=1)
            Color(1, 1, 1, 1)
            self._sheet = Rectangle(texture=self.texture, tex_coords=(0, 0, 1, 0, 1, 1, 0, 1))
        self.canvas["strokes"] = 1
        self.show(self._counts)
        self.look((columns / 2, rows / 2), 0.0, 1.0, 1.0)
        self.lean(math.radians(55))
        for name in ("pos", "size", "ink", "paper"):
            self.fbind(name, self._restate)
        self.fbind("u", self._draw_strokes)
        self._restate()
        self._draw_strokes()

    def show(self, counts: np.ndarray, column: int = 0, row: int = 0) -> None:
        """Put counts into the picture.

        `counts`: uint8, shape (rows, columns); counts, row 0 in the south; UNKNOWN where there is no trustworthy
            position.
        `column`, `row`: cell of the texture where the first count goes.
        """
        height, width = counts.shape
        self._counts[row : row + height, column : column + width] = counts
        self.texture.blit_buffer(
            self._meanings.take(counts).tobytes(), pos=(column, row), size=(width, height), colorfmt="rgba",
            bufferfmt="ubyte",
        )  # fmt: skip
        self.canvas.ask_update()

    def look(self, centre, turn: float, scale: float, cell: float) -> None:
        """Choose the ground in view.

        `centre`: (float, float): ground at the middle of the picture, metres from the south-west corner of the texture.
        `turn`: angle of the picture's right-hand side against east, radians counter-clockwise.
        `scale`: pixels in a metre.
        `cell`: metres in a cell of the texture.
        """
        rows, columns = self.shape
        self.canvas["centre"] = (float(centre[0]), float(centre[1]))
        self.canvas["turn"] = (math.cos(turn), math.sin(turn))
        self.canvas["scale"] = float(scale)
        self.canvas["ground"] = (columns * float(cell), rows * float(cell))
        # an edge is about a pixel and a half wide, and never wider than a cell
        self.canvas["sharp"] = float(0.5 / min(0.5, max(0.02, 0.7 / (cell * scale))))

    def lean(self, angle: float) -> None:
        """Set the direction of the strokes on the ground, radians counter-clockwise from east."""
        self.canvas["lean"] = (math.cos(angle), math.sin(angle))

    def on_target(self, _tally, target):
        """See the same counts against other passes wanted."""
        self._meanings = _texels(int(target))
        self.show(self._counts)

    def _restate(self, *_changed):
        self._sheet.pos, self._sheet.size = self.pos, self.size
        self.canvas["area"] = (float(self.width), float(self.height))
        self.canvas["ink"], self.canvas["paper"] = tuple(self.ink), tuple(self.paper)

    def _draw_strokes(self, *_changed):
        picture = stroke_picture(PEN_MM * self.u, GAP_MM * self.u)
        texture = Texture.create(size=picture.shape[1::-1], colorfmt="rgba", bufferfmt="ubyte")
        texture.mag_filter = texture.min_filter = "linear"
        texture.wrap = "repeat"

        def put(texture):
            texture.blit_buffer(picture.tobytes(), colorfmt="rgba", bufferfmt="ubyte")

        put(texture)
        texture.add_reload_observer(put)
        self._strokes.texture = texture
        self.canvas["tile"] = GAPS * GAP_MM * self.u


def byte_meanings(target: int) -> np.ndarray:
    """Return what each byte means: shape (256, 4), 255 where some, at target, above it, unknown.

    >>> byte_meanings(2)[[0, 1, 2, 3, UNKNOWN]].tolist()
    [[0, 0, 0, 0], [255, 0, 0, 0], [255, 255, 0, 0], [255, 255, 255, 0], [0, 0, 0, 255]]
    """
    n = np.arange(256)
    known = n != UNKNOWN
    return 255 * np.column_stack([known & (n >= 1), known & (n >= target), known & (n > target), ~known]).astype(
        np.uint8
    )


def _texels(target: int) -> np.ndarray:
    """Return `byte_meanings` as one number a texel, shape (256,), which are looked up six times as fast."""
    return byte_meanings(target).view(np.uint32).ravel()


@lru_cache(maxsize=4)
def stroke_picture(pen: float, gap: float) -> np.ndarray:
    """Return a square that can be repeated: strokes, crossed strokes, block with dots, stipple.

    `pen`, `gap`: width of a stroke and distance from one to the next, pixels.

    Returns: uint8, shape (n, n, 4); 255 where there is ink; n a power of two, for only such are repeated everywhere.
    """
    n = 1 << math.ceil(math.log2(GAPS * gap * 1.5))
    at = (np.arange(n) + 0.5) * GAPS * gap / n
    soft = 0.5
    x, y = np.meshgrid(at, at)

    def ink(distance, reach):
        return np.clip((reach + soft - distance) / (2 * soft), 0.0, 1.0)

    def stroke(across):
        return ink(np.abs((across / gap) % 1.0 - 0.5) * gap, pen / 2)

    def dots(shift, radius):
        pitch = GAPS * gap / DOTS
        return ink(np.hypot(*(((v + shift) / pitch % 1.0 - 0.5) * pitch for v in (x, y))), radius)

    layers = (
        stroke(x), np.maximum(stroke(x), stroke(y)), 1.0 - dots(0.0, pen * 0.62),
        np.maximum(dots(0.0, pen * 0.75), dots(gap * 0.4, pen * 0.75)),
    )  # fmt: skip
    return np.round(255 * np.stack(layers, axis=-1)).astype(np.uint8)
