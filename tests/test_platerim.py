"""The rim of a plate, found in drawn pictures of a thick disc that moves before a scenery."""

from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray

from barpath.sight.ellipse import Ellipse, from_params, to_params
from barpath.sight.plate import PlateSeed
from barpath.sight.platerim import RimChange, find_rim
from barpath.sight.platestack import MOST_PICTURES, OUTLINE, PlatePictures, steady
from barpath.sight.platetrack import track_plate
from barpath.space.platecamera import calibrate_side
from barpath.trial.artificial import MadeFrame

WIDTH, HEIGHT, FINER = 320, 300, 4


@dataclass(frozen=True)
class Disc:
    """A disc as it is drawn: half axes of its faces, how far they are apart, the printed ring.

    `before` is the size of a pale disc that lies on it, as a share of it, 0 without one, and
    `foremost` that of a dark one on top of both.
    """

    long_px: float = 40.0
    short_px: float = 28.0
    apart_px: float = 8.0
    ring: float = 0.93
    face: tuple[int, int, int] = (50, 70, 60)
    edge: tuple[int, int, int] = (75, 95, 85)
    print: tuple[int, int, int] = (190, 190, 190)
    before: float = 0.0
    foremost: float = 0.0

    def at(self, y_px: float) -> tuple[float, float]:
        """Middle of the nearer face."""
        return 160.0 - self.apart_px / 2, y_px

    def corners(self, y_px: float) -> NDArray[np.float32]:
        """Corners of what shows of it."""
        angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)
        face = np.column_stack([self.short_px * np.cos(angle), self.long_px * np.sin(angle)])
        both = np.vstack([face, face + np.array([self.apart_px, 0.0])]) + self.at(y_px)
        return cv2.convexHull(both.astype(np.float32))[:, 0]

    def hull(self, y_px: float) -> Ellipse:
        """The ellipse that fits all that shows of it best."""
        corners = self.corners(y_px)
        closed = np.vstack([corners, corners[:1]])
        way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
        even = np.linspace(0, way[-1], 300, endpoint=False)
        spread = np.column_stack([np.interp(even, way, closed[:, k]) for k in (0, 1)])
        (x, y), axes, _ = cv2.fitEllipseDirect(spread.astype(np.float32))
        return Ellipse(x, y, max(axes), min(axes), -90.0)

    def smaller(self, y_px: float) -> Ellipse:
        """The face of the disc that lies on it, as much nearer as it is thick."""
        x, y = self.at(y_px)
        long_px, short_px = 2 * self.before * self.long_px, 2 * self.before * self.short_px
        return Ellipse(x - self.apart_px, y, long_px, short_px, -90.0)

    def printed(self, y_px: float) -> Ellipse:
        """The ring printed on the nearer face."""
        return Ellipse(
            *self.at(y_px), 2 * self.ring * self.long_px, 2 * self.ring * self.short_px, -90.0
        )


def scenery() -> NDArray[np.uint8]:
    """A wall with boards and things before it, the same in each picture."""
    rng = np.random.default_rng(7)
    wall = np.full((FINER * HEIGHT, FINER * WIDTH, 3), 120, np.uint8)
    for _ in range(60):
        x, y = rng.integers(0, FINER * WIDTH), rng.integers(0, FINER * HEIGHT)
        size = rng.integers(40, 240, 2)
        tone = tuple(int(v) for v in rng.integers(60, 200, 3))
        cv2.rectangle(wall, (int(x), int(y)), (int(x + size[0]), int(y + size[1])), tone, -1)
    return wall


def drawn(
    disc: Disc, heights_px: NDArray[np.float64], wall: NDArray[np.uint8] | None = None
) -> list[NDArray[np.uint8]]:
    """Pictures of the disc at several heights, drawn finer and made smaller."""
    pictures = []
    wall = scenery() if wall is None else wall
    rng = np.random.default_rng(8)

    def ellipse(
        picture: NDArray[np.uint8], x: float, share: float, tone: tuple[int, int, int], wide: int
    ) -> None:
        centre = (round(16 * (FINER * (x + 0.5) - 0.5)), round(16 * (FINER * (y + 0.5) - 0.5)))
        axes = [round(16 * FINER * share * one) for one in (disc.short_px, disc.long_px)]
        cv2.ellipse(picture, centre, axes, 0, 0, 360, tone, wide, cv2.LINE_AA, 4)

    for y in heights_px:
        picture = wall.copy()
        near_x = disc.at(y)[0]
        whole = np.round(16 * (FINER * (disc.corners(y) + 0.5) - 0.5)).astype(np.int32)
        cv2.fillConvexPoly(picture, whole, disc.edge, cv2.LINE_AA, 4)
        ellipse(picture, near_x, 1.0, disc.face, -1)
        ellipse(picture, near_x, disc.ring, disc.print, FINER)
        if disc.before:
            ellipse(picture, disc.smaller(y).x_px, disc.before, (185, 180, 200), -1)
        if disc.foremost:
            ellipse(picture, near_x - 2 * disc.apart_px, disc.foremost, (60, 60, 70), -1)
        ellipse(picture, near_x, 0.2, (200, 200, 200), -1)
        small = cv2.resize(picture, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
        noisy = small + rng.normal(0, 2.0, small.shape)
        pictures.append(np.round(noisy).clip(0, 255).astype(np.uint8))
    return pictures


def with_wall(tone: tuple[int, int, int]) -> NDArray[np.uint8]:
    """The scenery, with a wall of one tone before its upper part."""
    wall = scenery()
    wall[: FINER * 125] = tone
    return wall


def press(n: int = 40, travel_px: float = 70.0) -> NDArray[np.float64]:
    """Heights of a bar let down and pressed."""
    return 150.0 - travel_px / 2 * np.cos(np.linspace(0, 2 * np.pi, n))


def table_of(outlines: list[Ellipse]) -> pd.DataFrame:
    """Plate table of outlines that were followed."""
    table = pd.DataFrame([[getattr(one, name) for name in OUTLINE] for one in outlines])
    table.columns = list(OUTLINE)
    table["frame"], table["state"] = range(len(table)), "seen"
    table["time_s"], table["outline_share"] = table["frame"] / 15, 0.9
    return table


def rim_about(
    disc: Disc,
    outlines: list[Ellipse],
    heights: NDArray[np.float64],
    wall: NDArray[np.uint8] | None = None,
) -> RimChange | None:
    pictures = PlatePictures()
    for k, picture in enumerate(drawn(disc, heights, wall)):
        pictures.add(k, picture, to_params(outlines[k]))
    laid = pictures.laid(table_of(outlines))
    return None if laid is None else find_rim(laid)


@pytest.mark.parametrize(
    "disc",
    [
        Disc(apart_px=0.0, short_px=40.0),
        Disc(),
        Disc(apart_px=-8.0),
        Disc(apart_px=14.0, short_px=20.0),
        Disc(ring=0.97),
    ],
    ids=["square", "aslant", "aslant from the other side", "far aslant", "a ring near the rim"],
)
def test_a_ring_printed_on_a_thick_plate_leads_to_its_rim(disc: Disc) -> None:
    """What is true is drawn: the hull of both faces of the disc."""
    heights = press()
    rim = rim_about(disc, [disc.printed(y) for y in heights], heights)
    assert rim is not None
    found, true = (
        from_params(rim.applied(to_params(disc.printed(heights[0])))),
        disc.hull(heights[0]),
    )
    assert found.major_px == pytest.approx(true.major_px, rel=0.015)
    assert found.minor_px == pytest.approx(true.minor_px, rel=0.03)
    assert np.hypot(*(found.centre - true.centre)) < 0.015 * true.major_px
    assert rim.share > 0.7
    # Where the rim is smooth the ellipse of a face and the distance of the other stand for another.
    assert rim.apart == pytest.approx(abs(disc.apart_px) / true.major_px, abs=0.05)


def test_an_outline_on_part_of_a_plate_leads_to_all_of_it() -> None:
    """One that lies on the rim on one side and within the plate on the other."""
    disc, heights = Disc(apart_px=4.0), press()
    parts = []
    for y in heights:
        whole = disc.hull(y)
        parts.append(
            Ellipse(
                whole.x_px - 0.14 * whole.minor_px,
                whole.y_px,
                0.93 * whole.major_px,
                0.72 * whole.minor_px,
                -90.0,
            )
        )
    rim = rim_about(disc, parts, heights)
    assert rim is not None
    found, true = from_params(rim.applied(to_params(parts[0]))), disc.hull(heights[0])
    assert found.major_px == pytest.approx(true.major_px, rel=0.02)
    assert found.minor_px == pytest.approx(true.minor_px, rel=0.04)


@pytest.mark.parametrize("before", [0.82, 0.7])
@pytest.mark.parametrize("apart_px", [10.0, -10.0])
def test_a_smaller_plate_leads_to_the_larger_one_behind_it(before: float, apart_px: float) -> None:
    """It shows better, and aslant the larger one is not about its middle."""
    disc, heights = Disc(apart_px=apart_px, before=before), press()
    rim = rim_about(disc, [disc.smaller(y) for y in heights], heights)
    assert rim is not None
    found = from_params(rim.applied(to_params(disc.smaller(heights[0]))))
    true = disc.hull(heights[0])
    assert found.major_px == pytest.approx(true.major_px, rel=0.035)
    assert np.hypot(*(found.centre - true.centre)) < 0.07 * true.major_px


def test_the_largest_of_three_plates_is_found_behind_the_smallest() -> None:
    """The tracker starts on the smallest one, whose pictures hardly reach to the largest."""
    disc = Disc(long_px=56.0, short_px=48.0, apart_px=3.0, before=0.73, foremost=0.54)
    heights = press()
    frames = [MadeFrame(k, k / 15, one) for k, one in enumerate(drawn(disc, heights))]
    x_px = disc.at(0.0)[0] - 2 * disc.apart_px
    axes_px = 2 * disc.foremost * disc.long_px, 2 * disc.foremost * disc.short_px
    smallest = Ellipse(x_px, heights[0], *axes_px, -90.0)
    path = np.array([[k, k / 15, x_px, y] for k, y in enumerate(heights)])
    table = track_plate(frames, PlateSeed(0, smallest, path))
    assert table["major_px"].median() == pytest.approx(disc.hull(150.0).major_px, rel=0.03)
    assert table["minor_px"].median() == pytest.approx(disc.hull(150.0).minor_px, rel=0.05)


def test_a_plate_as_pale_as_the_wall_behind_a_clear_one_is_told_by_what_passes() -> None:
    """Its edge shows where joints of the bricks come by, and else in no picture."""
    tone = (160, 150, 155)
    disc = Disc(apart_px=3.0, short_px=39.0, before=0.78, face=tone, edge=tone, print=tone)
    wall = np.full((FINER * HEIGHT, FINER * WIDTH, 3), tone, np.uint8)
    wall[np.arange(FINER * HEIGHT) % (14 * FINER) < FINER] = 120
    wall[:, np.arange(FINER * WIDTH) % (22 * FINER) < FINER] = 120
    wall[FINER * 225 :] = 70
    heights = press()
    rim = rim_about(disc, [disc.smaller(y) for y in heights], heights, wall)
    assert rim is not None
    found = from_params(rim.applied(to_params(disc.smaller(heights[0]))))
    assert found.major_px == pytest.approx(disc.hull(heights[0]).major_px, rel=0.03)


def test_the_rim_itself_stays_where_it_is() -> None:
    disc, heights = Disc(), press()
    outlines = [disc.hull(y) for y in heights]
    rim = rim_about(disc, outlines, heights)
    assert rim is not None
    found, true = from_params(rim.applied(to_params(outlines[0]))), outlines[0]
    assert found.major_px == pytest.approx(true.major_px, rel=0.008)
    assert found.minor_px == pytest.approx(true.minor_px, rel=0.015)


@pytest.mark.parametrize("share", [0.97, 0.95, 0.9])
@pytest.mark.parametrize("apart_px", [0.0, 6.0])
def test_a_pale_line_within_a_dark_rim_is_not_the_rim(share: float, apart_px: float) -> None:
    """While the plate is high it is before a wall of its own tone, and the line alone shows."""
    disc = Disc(apart_px=apart_px, short_px=38.0, ring=share, face=(45, 45, 50), edge=(45, 45, 50))
    heights = press()
    lines = [disc.printed(y) for y in heights]
    rim = rim_about(disc, lines, heights, with_wall(disc.edge))
    assert rim is not None
    found, true = from_params(rim.applied(to_params(lines[0]))), disc.hull(heights[0])
    assert found.major_px == pytest.approx(true.major_px, rel=0.016)
    assert found.minor_px == pytest.approx(true.minor_px, rel=0.03)


def test_a_rim_paler_than_one_wall_and_darker_than_another_shows() -> None:
    """The two edges, one up and one down, take each other away where pictures are averaged."""
    wall = np.full((FINER * HEIGHT, FINER * WIDTH, 3), 150, np.uint8)
    wall[:: 2 * FINER * 9] = 90
    for top in range(0, FINER * HEIGHT, 2 * FINER * 9):
        wall[top : top + FINER * 9] = 90
    disc = Disc(apart_px=0.0, short_px=40.0, face=(60, 60, 60), edge=(120, 120, 120), ring=0.9)
    heights = press()
    lines = [disc.printed(y) for y in heights]
    rim = rim_about(disc, lines, heights, wall)
    assert rim is not None
    found = from_params(rim.applied(to_params(lines[0])))
    assert found.major_px == pytest.approx(2 * disc.long_px, rel=0.012)


def test_a_larger_thing_behind_is_not_the_rim() -> None:
    """A round window and a post that stand behind the plate, both with clear edges."""
    disc, wall, heights = Disc(apart_px=6.0), scenery(), press()
    middle = (FINER * 160, FINER * 150)
    cv2.ellipse(wall, middle, (FINER * 40, FINER * 50), 0, 0, 360, (220, 220, 220), -1)
    cv2.rectangle(wall, (FINER * 195, 0), (FINER * 205, FINER * HEIGHT), (230, 230, 235), -1)
    outlines = [disc.hull(y) for y in heights]
    rim = rim_about(disc, outlines, heights, wall)
    assert rim is not None
    found, true = from_params(rim.applied(to_params(outlines[0]))), outlines[0]
    assert found.major_px == pytest.approx(true.major_px, rel=0.012)
    assert found.minor_px == pytest.approx(true.minor_px, rel=0.02)


def test_outlines_that_are_here_on_a_ring_and_there_on_the_rim_become_even() -> None:
    """Most lie on the rim; the plate's image grows a little as it comes nearer."""
    heights = press()
    growth = 1.0 + 0.001 * (heights - 150.0)
    sizes = np.where(np.arange(len(heights)) % 4 == 1, 0.93, 1.0) * growth
    outlines = [
        Ellipse(160.0, y, 80.0 * size, 78.0 * size, -90.0)
        for y, size in zip(heights, sizes, strict=True)
    ]
    table = steady(table_of(outlines))
    np.testing.assert_allclose(table["major_px"], 80.0 * growth, rtol=2e-3)
    np.testing.assert_allclose(table["y_px"], heights)


def test_of_a_long_clip_pictures_are_kept_from_all_of_it() -> None:
    disc, n = Disc(), 4 * MOST_PICTURES + 7
    picture = drawn(disc, np.array([150.0]))[0]
    pictures = PlatePictures()
    for k in range(n):
        pictures.add(k, picture, to_params(disc.hull(150.0)))
    kept = np.array(pictures.frames)
    assert MOST_PICTURES / 2 <= len(kept) <= MOST_PICTURES
    assert kept[0] == 0
    assert n - kept[-1] <= np.diff(kept)[0] == np.diff(kept).max()


def test_nothing_is_said_of_a_plate_that_stands() -> None:
    """Behind it nothing is smeared, so that any line of the scenery might be its rim."""
    disc, heights = Disc(), press(travel_px=10.0)
    assert rim_about(disc, [disc.printed(y) for y in heights], heights) is None


def test_nothing_is_said_from_a_few_pictures() -> None:
    disc, heights = Disc(), press(4)
    assert rim_about(disc, [disc.printed(y) for y in heights], heights) is None


def test_the_plate_table_holds_the_rim() -> None:
    """The tracker starts on the ring; grey pictures are as good."""
    disc, heights = Disc(apart_px=0.0, short_px=40.0, print=(100, 120, 110)), press()
    frames = [
        MadeFrame(k, k / 15, picture.mean(axis=2).astype(np.uint8))
        for k, picture in enumerate(drawn(disc, heights))
    ]
    path = np.array([[k, k / 15, *disc.at(y)] for k, y in enumerate(heights)])
    table = track_plate(frames, PlateSeed(0, disc.printed(heights[0]), path))
    assert table["major_px"].median() == pytest.approx(2 * disc.long_px, rel=0.015)
    assert (table["y_px"] - heights).abs().median() < 0.4, table["y_px"] - heights


def test_the_less_of_an_outline_shows_the_less_sure_is_the_scale() -> None:
    n = 40
    track = pd.DataFrame({"frame": range(n), "time_s": np.arange(n) / 30})
    track["x_px"], track["y_px"] = 320.0, 180.0 + 40 * np.cos(np.linspace(0, 6, n))
    track["major_px"], track["minor_px"], track["angle_deg"] = 100.0, 99.0, -90.0
    track["sd_px"], track["state"] = 0.1, "seen"
    sd = [
        calibrate_side(track.assign(outline_share=share), 640, 360).sd("major_bias_px")
        for share in (0.95, 0.85, 0.6, 0.4)
    ]
    assert sd[0] == pytest.approx(sd[1])
    assert sd[1] < sd[2] < sd[3]
