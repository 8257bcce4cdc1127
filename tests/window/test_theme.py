"""Paper and ink hold their contrast, and keys their size; no window is needed to know it."""

import importlib
import os

import pytest

from tests.window.contrast import contrast, luminance

os.environ.setdefault("KIVY_NO_ARGS", "1")
os.environ.setdefault("KIVY_LOG_MODE", "PYTHON")

theme = importlib.import_module("cabapp.screens.widgets.theme")  # only now may Kivy be loaded


@pytest.mark.parametrize(
    ("one", "other", "ratio"),
    [("#000000", "#FFFFFF", 21.0), ("#767676", "#FFFFFF", 4.5422), ("#949494", "#FFFFFF", 3.0335),
     ("#FF0000", "#FFFFFF", 3.9985), ("#0000FF", "#FFFFFF", 8.5925), ("#777777", "#FFFFFF", 4.4781)],
)  # fmt: skip
def test_contrast_is_that_of_wcag(one, other, ratio):
    """The contrast ratio is the W3C's, for its own examples (WCAG 2.2, Understanding 1.4.3)."""
    assert contrast(one, other) == pytest.approx(ratio, abs=5e-5)
    assert contrast(other, one) == contrast(one, other)


@pytest.mark.parametrize("palette", [theme.DAY, theme.NIGHT], ids=lambda p: p.name)
def test_words_stand_out_seven_to_one(palette):
    """Ink on paper, paper on ink and the words on the accent reach 7:1 by day and by night."""
    assert contrast(palette.ink, palette.paper) >= 7
    assert contrast(palette.accent_ink, palette.accent) >= 7


def test_the_night_is_dark():
    """By night the ground gives less than a hundredth of the light of the day's paper."""
    assert luminance(theme.NIGHT.paper) < luminance(theme.DAY.paper) / 100
    assert luminance(theme.NIGHT.ink) < luminance(theme.DAY.paper) / 2


@pytest.mark.parametrize(
    ("width", "height", "dpi"), [(1280, 800, 149), (1920, 1200, 224), (2560, 1600, 299), (1920, 1080, 189)]
)
def test_a_layout_millimetre_is_a_real_one_or_more(width, height, dpi):
    """On screens of 10 inches and more nothing is drawn smaller than it says."""
    page = theme.Theme()
    page.fit(width, height, dpi)
    assert page.true_scale >= 1.0
    assert page.mm(20) / (dpi / 25.4) >= 20


def test_a_small_screen_is_known_to_be_small():
    """On a 7-inch screen the page says that its millimetres are too short."""
    page = theme.Theme()
    page.fit(1280, 800, 216)
    assert page.true_scale < 0.75
