"""Colour ramps against their published form, and against what makes them readable."""

import numpy as np
import pytest

from mountgen.ramp import COLLISION, NEUTRAL, ramp_depth, ramp_gap


def lightness(colours):
    """CIE L* of sRGB colours, 0..1 (IEC 61966-2-1 for the linear values and luminance weights)."""
    linear = np.where(colours <= 0.04045, colours / 12.92, ((colours + 0.055) / 1.055) ** 2.4)
    luminance = linear @ (0.2126, 0.7152, 0.0722)
    return np.where(luminance > 0.008856, 116 * np.cbrt(luminance) - 16, 903.3 * luminance)


def test_depth_runs_evenly_from_bright_to_dark():
    steps = np.diff(lightness(ramp_depth(50.0).paint(np.linspace(0.0, 50.0, 21))))
    assert (steps < 0).all()  # deeper is always darker, also on a grey printer
    assert steps.min() > 2.0 * steps.mean()  # and no step is more than twice the average


def test_depth_is_the_published_ramp():
    matplotlib = pytest.importorskip("matplotlib")
    published = np.array(matplotlib.colormaps["cividis"].colors)[::-1]
    ours = ramp_depth(1.0).paint(np.linspace(0.0, 1.0, 256))
    assert np.abs(ours - published).max() * 255 < 8


def test_gap_is_the_published_scheme():
    matplotlib = pytest.importorskip("matplotlib")
    published = matplotlib.colormaps["RdYlBu"](np.linspace(0.0, 1.0, 11))[:, :3]
    assert np.abs(ramp_gap(0.5).paint(np.linspace(0.0, 1.0, 11)) - published).max() * 255 <= 1.5


def test_gap_marks_collision_far_and_unknown():
    ramp = ramp_gap(0.5)
    colours = np.rint(ramp.paint(np.array([-0.01, 2.01, np.nan, 1.99])) * 255).astype(int)
    assert tuple(colours[0]) == COLLISION
    assert tuple(colours[1]) == tuple(colours[2]) == NEUTRAL
    assert tuple(colours[3]) == (49, 54, 149)  # the last class: twice the clearance or more
