"""Contrast of two colours (WCAG 2.2)."""


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour, 0 (black) to 1 (white).

    `colour`: #RRGGBB in sRGB.

    Notes
    -----
    Source: WCAG 2.2, definition of relative luminance.

    >>> luminance("#FFFFFF")
    1.0
    """
    red, green, blue = (_linear(int(colour[i : i + 2], 16) / 255) for i in (1, 3, 5))
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _linear(channel: float) -> float:
    return channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4


def contrast(one: str, other: str) -> float:
    """Return the contrast ratio of two colours, 1 (same) to 21 (black and white).

    Notes
    -----
    Source: WCAG 2.2, definition of contrast ratio.

    The W3C's own example of a grey that just passes 4.5:1 on white:

    >>> round(contrast("#767676", "#FFFFFF"), 4)
    4.5422
    """
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)
