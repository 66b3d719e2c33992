"""Elbows drawn below a plate, and what must not be taken for one."""

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.elbow import ElbowsBelow, elbow_below_plate
from barpath.frames import Frame

PLATE = np.array([200.0, 120.0, 200.0, 200.0, 0.0])
PLATE_M = 0.45
SKIN = (185, 135, 110)


def floor(seed=0):
    rng = np.random.default_rng(seed)
    return np.clip(rng.normal(95, 4, (360, 400, 1)) + np.zeros(3), 0, 255).astype(np.uint8)


def with_plate(picture):
    return cv2.circle(picture, (200, 120), 100, (160, 30, 30), -1)


def test_the_lowest_point_of_an_elbow():
    now = cv2.ellipse(floor(1), (185, 200), (20, 55), 0, 0, 360, SKIN, -1)
    got = elbow_below_plate(with_plate(now), floor(), PLATE, PLATE_M)
    assert got == pytest.approx([185, 255], abs=2.0)


def test_a_shadow_is_no_elbow():
    """A shadow leaves the floor's own colour, darker; one that has gone leaves it lighter."""
    for before, now in ((floor(), floor(1)), (floor(1), floor())):
        now[200:250, 165:205] = (now[200:250, 165:205] * 0.6).astype(np.uint8)
        assert np.isnan(elbow_below_plate(with_plate(now), before, PLATE, PLATE_M)).all()
        assert np.isnan(elbow_below_plate(with_plate(before), now, PLATE, PLATE_M)).all()


@pytest.mark.parametrize(
    ("centre", "axes"),
    [
        ((200, 150), (22, 60)),
        ((200, 300), (22, 40)),
        ((200, 230), (130, 40)),
        ((210, 240), (3, 30)),
    ],
)
def test_what_is_hidden_apart_too_broad_or_too_slim_is_none(centre, axes):
    now = cv2.ellipse(floor(1), centre, axes, 0, 0, 360, SKIN, -1)
    assert np.isnan(elbow_below_plate(with_plate(now), floor(), PLATE, PLATE_M)).all()


def test_the_picture_before_is_one_with_the_bar_up():
    n = 5
    track = pd.DataFrame([[k, *PLATE] for k in range(n)])
    track.columns = ["frame", "x_px", "y_px", "major_px", "minor_px", "angle_deg"]
    trajectory = pd.DataFrame({"frame": range(n), "y_smooth_m": [-0.4, 0.0, -0.2, -0.4, -0.39]})
    below = ElbowsBelow(track, trajectory, PLATE_M)
    for k in range(n):
        picture = floor(k)
        if k != 1:
            picture = cv2.ellipse(picture, (190, 200), (20, 55), 0, 0, 360, SKIN, -1)
        below.update(Frame(k, k / 10, with_plate(picture)))
    table = below.joined_to(pd.DataFrame({"frame": range(n)}))
    # Before the bar was up, and half-way, nothing is known.
    assert np.isnan(table["near_elbow_x_px"][:3]).all()
    assert table["near_elbow_x_px"][3:].to_numpy() == pytest.approx([190, 190], abs=2.0)
