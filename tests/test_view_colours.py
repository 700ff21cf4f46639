"""The heat scale can be read in grey and by colour-blind people, and says what it means."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from fitcheck.result import Verdict
from fitcheck.view import colours

TABLE = colours.heat_table()[:-1, :3] / 255.0
BANDS = np.array_split(TABLE, 4)

# Linear RGB as a dichromat sees it. Source: Viénot, Brettel and Mollon 1999, "Digital video colourmaps for
# checking the legibility of displays by dichromats", the matrices in the form widely given for sRGB (from memory).
SEEN = {
    "full colour": np.eye(3),
    "no red cones": np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]]),
    "no green cones": np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]]),
    "grey": np.tile([[0.2126, 0.7152, 0.0722]], (3, 1)),
}


def linear(colour):
    return np.where(colour <= 0.04045, colour / 12.92, ((colour + 0.055) / 1.055) ** 2.4)


def lab(linear_rgb):
    """CIE L*a*b* under D65. Source: CIE 15; sRGB primaries of IEC 61966-2-1."""
    to_xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
    xyz = np.clip(linear_rgb, 0, 1) @ to_xyz.T / np.array([0.9505, 1.0, 1.0890])
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


@pytest.mark.parametrize("seen", SEEN)
def test_neighbouring_bands_are_told_apart_by_everybody(seen):
    """The nearest two colours of bands that meet are 3 apart at their common line, 12 at the bands' middles."""
    bands = [lab(linear(band) @ SEEN[seen].T) for band in BANDS]
    for lower, upper in itertools.pairwise(bands):
        assert np.linalg.norm(lower[-1] - upper[0]) > 3.0
        assert np.linalg.norm(lower[len(lower) // 2] - upper[len(upper) // 2]) > 12.0


def test_fails_is_never_mistaken_for_passes():
    for seen in SEEN.values():
        fails, passes = (lab(linear(BANDS[k]) @ seen.T) for k in (0, 2))
        apart = np.linalg.norm(fails[:, None] - passes[None], axis=2).min()
        assert apart > 25.0


def test_dark_is_tight():
    lightness = colours.lightness(TABLE)
    assert (np.diff(lightness) >= 0.0).all()  # equal where eight bits a colour end
    assert lightness[0] < 12.0
    assert lightness[-1] > 85.0


def test_lightness_of_known_greys():
    """Source: closed form of CIE L*: mid grey #777777 is 50.0, white 100, black 0."""
    found = colours.lightness(np.array([[0, 0, 0], [0x77 / 255] * 3, [1, 1, 1]]))
    assert found == pytest.approx([0.0, 50.03, 100.0], abs=0.05)


def test_no_red_against_green():
    """No colour of the scale is mainly green, none is mainly red but the dark violet and the orange."""
    hues = lab(linear(TABLE))
    assert hues[:, 1].min() > -15.0  # a*: negative is green


def test_the_verdicts_colours_lie_in_their_bands():
    bands = {Verdict.FAIL: 0, Verdict.NOT_PROVEN: 1, Verdict.PASS: 2}
    for verdict, band in bands.items():
        apart = [
            np.linalg.norm(lab(linear(some)) - lab(linear(colours.rgb(colours.VERDICT[verdict])[None])), axis=1).min()
            for some in BANDS
        ]
        assert int(np.argmin(apart)) == band


def test_what_is_beyond_is_the_last_entry():
    assert colours.heat_table()[-1, :3] / 255.0 == pytest.approx(colours.rgb(colours.BEYOND), abs=1e-9)
