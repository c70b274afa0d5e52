"""The colours of both themes can be read, and told apart without full colour vision."""

import itertools
import re
from pathlib import Path

import numpy as np
import pytest
from django.conf import settings

STYLES = (Path(settings.BASE_DIR) / "static/css/tokens.css").read_text(encoding="utf-8")
TOKENS = {
    name: {"light": light, "dark": dark}
    for name, light, dark in re.findall(r"--([a-z0-9-]+): light-dark\((#[0-9a-f]{6}), (#[0-9a-f]{6})\);", STYLES)
}
THEMES = ["light", "dark"]
SURFACES = ["ground", "sheet", "hover", "accent-soft"]
SERIES = [f"series-{n}" for n in range(1, 7)]

# How a person without one kind of cone sees a colour: linear RGB matrices for severity 1.0 of G. M. Machado,
# M. M. Oliveira and L. A. F. Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
# IEEE TVCG 15 (2009), 1291-1298. The digits are from memory. Each row sums to one, as white must stay white: see below.
VISION = {
    "full": np.eye(3),
    "protan": np.reshape(
        [0.152286, 1.052583, -0.204868, 0.114503, 0.786281, 0.099216, -0.003882, -0.048116, 1.051998], (3, 3)
    ),
    "deutan": np.reshape(
        [0.367322, 0.860646, -0.227968, 0.280085, 0.672501, 0.047413, -0.011820, 0.042940, 0.968881], (3, 3)
    ),
    "tritan": np.reshape(
        [1.255528, -0.076749, -0.178779, -0.078411, 0.930809, 0.147602, 0.004733, 0.691367, 0.303900], (3, 3)
    ),
}


def linear_rgb(hex_colour):
    # IEC 61966-2-1 (sRGB), as WCAG 2.2 "relative luminance" uses it.
    parts = np.array([int(hex_colour[i : i + 2], 16) / 255 for i in (1, 3, 5)])
    return np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)


def contrast(one, other):
    """WCAG 2.2 contrast ratio."""
    luminance = sorted((float(linear_rgb(c) @ [0.2126, 0.7152, 0.0722]) for c in (one, other)), reverse=True)
    return (luminance[0] + 0.05) / (luminance[1] + 0.05)


def lab(hex_colour, vision):
    """CIE 1976 L*a*b*, white point D65."""
    rgb = np.clip(VISION[vision] @ linear_rgb(hex_colour), 0, 1)
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ rgb
    xyz /= [0.9505, 1.0, 1.089]
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_contrast_of_black_on_white_is_21():
    # WCAG 2.2, definition of "contrast ratio": ranges from 1 to 21.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("vision", VISION)
def test_white_stays_white(vision):
    np.testing.assert_allclose(VISION[vision].sum(axis=1), 1, atol=2e-6)


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(
    ("text", "surfaces"),
    [
        ("ink", [*SURFACES, "sunk", "bad-soft", "good-soft", "mixed-soft", "open-soft", "warn-soft"]),
        ("ink-soft", [*SURFACES, "sunk"]),
        ("accent", SURFACES),
        ("on-accent", ["accent"]),
        *[(colour, [*SURFACES, f"{colour}-soft"]) for colour in ("bad", "good", "mixed", "open", "warn")],
    ],
)
def test_text_reaches_the_contrast_of_wcag_aa(text, surfaces, theme):
    # WCAG 2.2, success criterion 1.4.3: at least 4.5 to 1.
    ratios = {surface: contrast(TOKENS[text][theme], TOKENS[surface][theme]) for surface in surfaces}
    assert min(ratios.values()) >= 4.5, ratios


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("part", [*SERIES, "line-strong", "focus"])
def test_lines_and_controls_reach_the_contrast_of_wcag_aa(part, theme):
    # WCAG 2.2, success criterion 1.4.11: at least 3 to 1.
    assert min(contrast(TOKENS[part][theme], TOKENS[surface][theme]) for surface in ("sheet", "ground")) >= 3


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("vision", VISION)
@pytest.mark.parametrize("group", [SERIES, ["bad", "good", "mixed"]], ids=["series", "verdicts"])
def test_colours_that_mean_different_things_look_different(group, vision, theme):
    # A difference of 10 in CIE L*a*b* is seen at a glance (common practice, no source); dashes and shapes come on top.
    seen = {name: lab(TOKENS[name][theme], vision) for name in group}
    close = {pair: np.linalg.norm(seen[pair[0]] - seen[pair[1]]) for pair in itertools.combinations(group, 2)}
    assert min(close.values()) >= 10, close


def test_every_series_has_its_own_dash_and_symbol():
    for name in ("dashes", "symbols"):
        words = re.search(rf"--series-{name}: ([a-z, -]+);", STYLES)[1].split(", ")
        assert len(set(words)) == len(words) == len(SERIES)
