"""The map's classes on a real picture of it, by day and by night, in grey and to three eyes without one
kind of cone: neighbours differ by pattern, never by colour alone."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

pytestmark = pytest.mark.window

# linear RGB as seen without one kind of cone: red and green of Vienot, Brettel and Mollon 1999, blue in
# one plane after Brettel, Vienot and Mollon 1997; all from memory, each row adds up to 1, so greys stay grey
EYES = {
    "grey": np.eye(3),
    "red": [[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]],
    "green": [[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]],
    "blue": [[1.0, 0.1446, -0.1446], [0.0, 0.8592, 0.1408], [0.0, 0.8592, 0.1408]],
}
CLASSES = ("bare", "once", "twice", "above", "unknown")
NEIGHBOURS = [("bare", "once"), ("once", "twice"), ("twice", "above"), *((one, "unknown") for one in CLASSES[:4])]

DRAW = """
import sys
from types import SimpleNamespace
import numpy as np
from cabapp.screens.system.launcher import configure_window
configure_window((800, 200), False)
from kivy.base import EventLoop
from kivy.core.window import Window
from cabapp.screens.map.ground_map import GroundMap
from cabapp.screens.widgets.theme import THEME

EventLoop.ensure_window()
counts = np.repeat(np.array([[0, 1, 2, 3, 0]], np.uint8), 160, axis=1).repeat(200, axis=0)
unknown = np.zeros(counts.shape, bool)
unknown[:, 640:] = True
EventLoop.start()
for light in ("day", "dusk", "night"):
    for level in (0, 4, 8):
        THEME.light = light
        Window.clearcolor = THEME.paper
        ground = GroundMap(
            size=(800, 200), size_hint=(None, None), keys=False, ink=THEME.ink, paper=THEME.paper, u=5.9, level=level
        )
        Window.add_widget(ground)
        across = ground.width / ground.scale
        ground.set_ground(SimpleNamespace(counts=counts, unknown=unknown, origin=(0.0, 0.0), cell=across / 800))
        ground.centre = (across / 2, across / 8)
        ground.redraw()
        ground.changed("all")
        for _ in range(4):
            Window.mainloop()
            Window.canvas.ask_update()
            EventLoop.idle()
        print(light, level, Window.screenshot(f"{sys.argv[1]}/{light}-{level}.png"))
        Window.remove_widget(ground)
"""


@pytest.fixture(scope="module")
def drawn(display, tmp_path_factory):
    """Draw the map in each light at each level, in one window; return the picture of each."""
    folder, root = tmp_path_factory.mktemp("hatching"), Path(__file__).parents[2]
    script = folder / "draw.py"
    script.write_text(DRAW)
    environment = {k: v for k, v in os.environ.items() if k not in ("WAYLAND_DISPLAY", "SDL_VIDEODRIVER")}
    done = subprocess.run(
        [sys.executable, str(script), str(folder)], capture_output=True, text=True, timeout=60, cwd=root,
        env=environment | {"DISPLAY": display, "PYTHONPATH": str(root), "ROLLBOOK_HOME": str(folder), "LIBGL_ALWAYS_SOFTWARE": "1"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-2000:]
    lines = (line.split() for line in done.stdout.splitlines())
    return {(light, int(level)): Path(path) for light, level, path in lines}


def seen_by(eye, rgb):
    """Return the luminance of pixels, 0 to 1, as an eye sees them."""
    linear = np.where(rgb <= 10.3, rgb / 255 / 12.92, ((rgb / 255 + 0.055) / 1.055) ** 2.4)
    return np.clip(linear @ np.array(EYES[eye]).T, 0, 1) @ [0.2126, 0.7152, 0.0722]


def run_of_strokes(light):
    """Return how much the edges of a patch all run one way: 0 all ways alike, 1 all the same (by the
    structure tensor)."""
    up, along = np.gradient(light)
    xx, yy, xy = (along**2).mean(), (up**2).mean(), (along * up).mean()
    return float(np.hypot(xx - yy, 2 * xy) / (xx + yy)) if xx + yy else 0.0


@pytest.mark.parametrize("light", ["day", "dusk", "night"])
@pytest.mark.parametrize("level", [0, 4, 8], ids=["near", "usual", "far"])
def test_neighbouring_counts_differ_by_pattern_to_every_eye(drawn, capsys, light, level):
    """Bare, once, twice, above and unknown ground differ from their neighbours by a tenth of ink or by
    half of the run of their strokes, with ink and paper 7:1 apart, in grey and to three eyes."""
    picture = drawn[light, level]
    rgb = np.asarray(Image.open(picture).convert("RGB")).astype(float)
    folder = Path(os.environ.get("ROLLBOOK_ARTEFACTS", Path(__file__).parents[2] / "artefacts"))
    folder.mkdir(parents=True, exist_ok=True)
    shutil.move(picture, folder / f"hatching-{light}-{level}.png")
    for eye in EYES:
        seen = seen_by(eye, rgb)
        paper = seen[100, 80]
        patches = {name: seen[20:180, 160 * k + 20 : 160 * k + 140] for k, name in enumerate(CLASSES)}
        far = max(abs(patch - paper).max() for patch in patches.values())
        told = {}
        for name, patch in patches.items():
            ink = float((np.abs(patch - paper) > 0.5 * far).mean())
            told[name] = ink, run_of_strokes(patch)
        dark, bright = sorted((paper, seen[20:180, 500:620].min() if light != "night" else seen[20:180, 500:620].max()))
        for one, other in NEIGHBOURS:
            apart = [abs(a - b) for a, b in zip(told[one], told[other], strict=True)]
            assert apart[0] >= 0.1 or apart[1] >= 0.5, (eye, one, other, told)
        assert (bright + 0.05) / (dark + 0.05) >= 7, eye
    with capsys.disabled():
        print(
            f"\n{light}, level {level}: ink and run of strokes { ({k: tuple(round(v, 2) for v in t) for k, t in told.items()}) }"
        )
