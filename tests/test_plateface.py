"""Where a plate's face lies, in drawn pictures of a disc that moves before a scenery."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from barpath.sight.ellipse import Ellipse, to_params
from barpath.sight.plateface import PlateFace
from tests.test_platerim import Disc, drawn, press


def faces(outlines, pictures):
    face = PlateFace()
    for k, (picture, outline) in enumerate(zip(pictures, outlines, strict=True)):
        face.add(k, picture, to_params(outline))
    return face


def table_of(outlines):
    return pd.DataFrame(
        {
            "frame": range(len(outlines)),
            "x_px": [o.x_px for o in outlines],
            "y_px": [o.y_px for o in outlines],
        }
    )


def misled(disc, heights, off_px):
    """Outlines of the disc's face, off by so many px to the right and down, (n, 2)."""
    rims = [replace(disc, ring=1.0).printed(y) for y in heights]
    return [
        replace(rim, x_px=rim.x_px + dx, y_px=rim.y_px + dy)
        for rim, (dx, dy) in zip(rims, off_px, strict=True)
    ]


@pytest.mark.parametrize(
    "disc",
    [Disc(apart_px=0.0, short_px=40.0, ring=0.75), Disc(ring=0.75)],
    ids=["square", "aslant"],
)
def test_an_outline_that_lies_elsewhere_for_some_frames_is_put_back(disc):
    heights = press(60)
    off_px = np.random.default_rng(3).normal(0, 0.05, (60, 2))
    off_px[12:17, 1] += 2.5
    off_px[44:52] -= (1.5, 2.0)
    outlines = misled(disc, heights, off_px)
    found = faces(outlines, drawn(disc, heights)).on_table(table_of(outlines))
    off = found[["x_px", "y_px"]].to_numpy() - [disc.at(y) for y in heights]
    assert np.abs(off - np.median(off, axis=0)).max() < 0.25
    assert off.std(axis=0).max() < 0.08


def test_pictures_in_grey_and_smaller_ones_do_as_well():
    disc, heights = Disc(ring=0.75), press(60)
    off_px = np.zeros((60, 2))
    off_px[20:24, 1] = -2.0
    outlines = misled(disc, heights, off_px)
    grey = [picture.mean(axis=2).astype(np.uint8) for picture in drawn(disc, heights)]
    change = faces(outlines, grey).corrections(
        np.arange(60), table_of(outlines)[["x_px", "y_px"]].to_numpy()
    )
    assert change[20:24, 1] == pytest.approx(2.0, abs=0.2)
    assert np.abs(np.delete(change, range(20, 24), axis=0)).max() < 0.2


def test_what_only_moves_with_the_place_is_left_to_the_outline():
    """A hub that stands out is seen farther from the middle the farther the plate is away."""
    disc, heights = Disc(apart_px=0.0, short_px=40.0, ring=0.75), press(60)
    even_px = np.column_stack([0.01 * (heights - 150), 0.02 * (heights - 150)])
    outlines = misled(disc, heights, even_px)
    change = faces(outlines, drawn(disc, heights)).corrections(
        np.arange(60), table_of(outlines)[["x_px", "y_px"]].to_numpy()
    )
    assert np.abs(change).max() < 0.1


def test_a_face_without_a_line_tells_nothing():
    rng = np.random.default_rng(5)
    pictures = [
        np.clip(90 + rng.normal(0, 2, (300, 320, 3)), 0, 255).astype(np.uint8) for _ in range(60)
    ]
    outlines = [Ellipse(160.0, y, 80.0, 80.0, 0.0) for y in press(60)]
    change = faces(outlines, pictures).corrections(
        np.arange(60), table_of(outlines)[["x_px", "y_px"]].to_numpy()
    )
    assert not change.any()


def test_a_plate_seen_in_few_frames_or_tiny_stays_where_it_is():
    disc, heights = Disc(ring=0.75), press(12)
    outlines = misled(disc, heights, np.eye(12, 2) * 2)
    found = faces(outlines, drawn(disc, heights)).on_table(table_of(outlines))
    assert found.equals(table_of(outlines))
    tiny = PlateFace()
    tiny.add(0, drawn(disc, heights)[0], to_params(Ellipse(160.0, 150.0, 12.0, 12.0, 0.0)))
    none = tiny.corrections(np.arange(1), np.array([[160.0, 150.0]]))
    assert not none.any()
