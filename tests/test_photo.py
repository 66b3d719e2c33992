"""A picture's joints and marks, with a network of known answers in the place of the trained one."""

import io
import sys

import cv2
import numpy as np
import pandas as pd
import pytest
from PIL import Image
from scipy.stats import chi2

from barpath.errors import ClipError, NoLifterError, OutputError
from barpath.report.overlay import REACH_95, mark_points
from barpath.report.photo import (
    COLUMNS,
    PICTURE_FILE,
    TABLE_FILE,
    joint_table,
    measure_photo,
    read_picture,
)
from barpath.report.strokes import OverlayConfig
from barpath.sight.jointnet import POINTS, JointNetwork, Readings

HEIGHT, WIDTH = 600, 900
AT_PX = np.array(
    [
        (520, 330), (430, 300), (560, 240), (400, 220), (565, 170), (395, 150), (566, 145),
        (394, 125), (360, 400), (330, 380), (240, 390), (230, 370), (230, 520), (215, 505),
        (560, 380), (700, 175), (260, 100), (640, 165), (320, 108), (730, 180), (230, 95),
    ],
    dtype=float,
)  # fmt: skip


class DotNetwork(JointNetwork):
    """Finds dots painted in known colours, as a trained network finds joints."""

    def __init__(self, hidden=(), spread_px=3.0):
        self.side_px = 256
        self.hidden = hidden
        self.spread_px = spread_px

    def look(self, images):
        n = len(images)
        place = np.full((n, len(POINTS), 2), 128.0)
        state = np.tile([0.0, 0.0, 1.0], (n, len(POINTS), 1))
        for k, image in enumerate(images.astype(int)):
            for p in range(len(POINTS)):
                rows, columns = np.nonzero(np.abs(image - colour(p)).max(axis=-1) <= 8)
                # One that is cut off by the crop's edge has its middle elsewhere.
                cut = {*rows, *columns} & {0, self.side_px - 1}
                if len(rows) >= 3 and not cut:
                    place[k, p] = columns.mean(), rows.mean()
                    state[k, p] = (0.1, 0.8, 0.1) if POINTS[p] in self.hidden else (0.8, 0.1, 0.1)
        spread = np.tile(np.diag([self.spread_px, 1.0]) ** 2, (n, len(POINTS), 1, 1))
        return Readings(place, spread, state, (state[..., 2] < 0.5).mean(axis=-1))


def colour(p):
    """Of point number `p`; no two within 25 levels of each other, nor of the grey ground."""
    return np.array([40 + 60 * (p % 3), 30 + 80 * (p // 3 % 3), 35 + 90 * (p // 9)])


def painted(without=()):
    image = np.full((HEIGHT, WIDTH, 3), 235, np.uint8)
    for p, (x, y) in enumerate(AT_PX):
        if POINTS[p] not in without:
            cv2.circle(image, (int(x), int(y)), 9, colour(p).tolist(), cv2.FILLED)
    return image


def saved(path, image, orientation=None):
    picture = Image.fromarray(image)
    exif = Image.Exif()
    if orientation:
        exif[0x0112] = orientation
    picture.save(path, exif=exif.tobytes(), **({"quality": 97} if path.suffix == ".jpg" else {}))
    return path


def test_places_come_back_as_they_were_painted(tmp_path):
    picture = saved(tmp_path / "press.png", painted(without=["right_ankle"]))
    told = measure_photo(picture, tmp_path / "out", network=DotNetwork(hidden=["left_hip"]))
    table = pd.read_csv(tmp_path / "out" / TABLE_FILE)
    assert tuple(table.columns) == COLUMNS
    assert tuple(table["point"]) == POINTS
    assert table["state"].tolist() == told["state"].tolist()
    assert table.set_index("point").loc["left_hip", "state"] == "hidden"
    outside = table["point"].eq("right_ankle")
    assert table.loc[outside, "state"].tolist() == ["outside"]
    assert table.loc[outside, list(COLUMNS[1:-1])].isna().all(axis=None)
    off = table[["x_px", "y_px"]].to_numpy() - AT_PX
    assert np.abs(off[~outside]).max() < 1.0
    # Three times as uncertain along x as along y, whatever the crop's scale was.
    ratio = table["sd_major_px"] / table["sd_minor_px"]
    assert np.allclose(ratio[~outside], 3.0, rtol=0.01)
    assert np.allclose(table["angle_deg"][~outside] % 180.0, 0.0, atol=0.01)


# The eight orientations of the Exif standard (JEITA CP-3451, tag 0x0112) and how a picture that is
# upright has to be stored for each.
STORED = {
    1: lambda image: image,
    2: lambda image: image[:, ::-1],
    3: lambda image: image[::-1, ::-1],
    4: lambda image: image[::-1],
    5: lambda image: image.transpose(1, 0, 2),
    6: lambda image: np.rot90(image, 1),
    7: lambda image: np.rot90(image.transpose(1, 0, 2), 2),
    8: lambda image: np.rot90(image, -1),
}


@pytest.mark.parametrize("orientation", STORED)
@pytest.mark.parametrize("kind", ["jpg", "png"])
def test_pictures_are_turned_upright(tmp_path, orientation, kind):
    upright = painted()[:, ::1][::2, ::2]
    stored = np.ascontiguousarray(STORED[orientation](upright))
    image = read_picture(saved(tmp_path / f"press.{kind}", stored, orientation))
    assert image.shape == upright.shape
    assert np.abs(image.astype(int) - upright).mean() < 3


def test_joints_are_given_in_the_upright_picture(tmp_path):
    stored = np.ascontiguousarray(np.rot90(painted(), 1))
    picture = saved(tmp_path / "press.png", stored, 6)
    measure_photo(picture, tmp_path / "out", network=DotNetwork())
    table = pd.read_csv(tmp_path / "out" / TABLE_FILE)
    assert np.abs(table[["x_px", "y_px"]].to_numpy() - AT_PX).max() < 1.0
    assert read_picture(tmp_path / "out" / PICTURE_FILE).shape == (HEIGHT, WIDTH, 3)


@pytest.mark.parametrize("mode", ["L", "RGBA", "P", "I;16"])
def test_grey_transparent_and_deep_pictures_are_read(tmp_path, mode):
    path = tmp_path / "press.png"
    if mode == "I;16":
        Image.fromarray(np.full((40, 60), 40_000, np.uint16)).save(path)
    else:
        plain = Image.fromarray(np.full((40, 60, 3), 156, np.uint8))
        (plain.quantize() if mode == "P" else plain.convert(mode)).save(path)
    image = read_picture(path)
    assert image.shape == (40, 60, 3)
    assert image.dtype == np.uint8
    assert np.abs(image.astype(int) - 156).max() <= 1


@pytest.mark.parametrize("size", [(1, 1), (7, 5), (2000, 30), (30, 2000)])
def test_pictures_of_any_size_are_looked_at(tmp_path, size):
    path = saved(tmp_path / "thin.png", np.full((*size, 3), 235, np.uint8))
    with pytest.raises(NoLifterError):
        measure_photo(path, tmp_path / "out", network=DotNetwork())


def test_nobody_in_the_picture_writes_nothing(tmp_path):
    path = saved(tmp_path / "hall.jpg", np.full((300, 400, 3), 235, np.uint8))
    with pytest.raises(NoLifterError, match=r"hall\.jpg") as told:
        measure_photo(path, tmp_path / "out", network=DotNetwork())
    assert told.value.exit_code == 8
    assert [entry.name for entry in tmp_path.iterdir()] == ["hall.jpg"]


@pytest.mark.parametrize("content", [b"", b"no picture", b"\xff\xd8\xff\xe0\x00\x10JFIF", None])
def test_what_is_no_picture_is_refused(tmp_path, content):
    path = tmp_path / "press.jpg"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ClipError, match=r"press\.jpg"):
        measure_photo(path, tmp_path / "out", network=DotNetwork())
    assert not (tmp_path / "out").exists()


@pytest.mark.skipif(sys.platform != "linux", reason="file names of any bytes")
def test_a_name_of_any_bytes_is_read(tmp_path):
    path = tmp_path / b"pr\xe9ss.png".decode(errors="surrogateescape")
    buffer = io.BytesIO()
    Image.fromarray(painted()).save(buffer, "png")
    path.write_bytes(buffer.getvalue())
    assert read_picture(path).shape == (HEIGHT, WIDTH, 3)


def test_only_an_earlier_photo_is_replaced(tmp_path):
    picture, folder = saved(tmp_path / "press.png", painted()), tmp_path / "out"
    measure_photo(picture, folder, network=DotNetwork())
    before = (folder / TABLE_FILE).read_bytes()
    with pytest.raises(OutputError, match="exists already"):
        measure_photo(picture, folder, network=DotNetwork())
    measure_photo(picture, folder, overwrite=True, network=DotNetwork(spread_px=5.0))
    after = (folder / TABLE_FILE).read_bytes()
    assert after != before
    (folder / "diary.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"diary\.txt|joints\.csv|marked\.png"):
        measure_photo(picture, folder, overwrite=True, network=DotNetwork())
    assert (folder / "diary.txt").read_text() == "mine"
    assert (folder / TABLE_FILE).read_bytes() == after
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["out", "press.png"]


def one_point(point="left_wrist", x=100.0, y=60.0, major=8.0, minor=4.0, angle=30.0, state="seen"):
    return pd.DataFrame(
        [dict(zip(COLUMNS, (point, x, y, major, minor, angle, state), strict=True))]
    )


def test_the_ellipse_drawn_holds_95_percent_of_normal_draws():
    assert chi2(2).ppf(0.95) == pytest.approx(REACH_95**2, abs=2e-3)
    plain = np.full((480, 480, 3), 90, np.uint8)
    middle, sd = np.array([240.0, 240.0]), np.array([60.0, 30.0])
    ring = mark_points(plain, one_point("head", *middle, *sd, 30.0))
    # What lies within the middle of the ring's stroke.
    stroke = cv2.inRange(ring, (160,) * 3, (255,) * 3)
    outline = cv2.convexHull(cv2.findNonZero(stroke))
    angle = np.radians(30.0)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    draws = np.random.default_rng(5).normal(size=(20_000, 2)) * sd @ turn.T + middle
    inside = [cv2.pointPolygonTest(outline, draw, False) >= 0 for draw in draws]
    # One standard error of the share is 0.0015, one pixel of the ring's radius 0.004.
    assert np.mean(inside) == pytest.approx(0.95, abs=0.01)


def test_seen_points_are_filled_and_hidden_ones_hollow():
    plain = np.full((120, 200, 3), 90, np.uint8)
    config = OverlayConfig()
    filled = mark_points(plain, one_point())[60, 100]
    hollow = mark_points(plain, one_point(state="hidden"))[60, 100]
    assert filled.tolist() == list(config.plate_colour)
    assert hollow.tolist() == list(config.outline_colour)
    right = mark_points(plain, one_point("right_wrist"))[60, 100]
    assert right.tolist() == list(config.path_colour)
    assert (mark_points(plain, one_point(state="outside")) == plain).all()
    assert (plain == 90).all()


def test_marks_leave_the_rest_of_the_picture_as_it_was(tmp_path):
    image = painted()
    image[:, :150] = np.random.default_rng(3).integers(200, 256, (HEIGHT, 150, 3))
    picture = saved(tmp_path / "press.png", image)
    measure_photo(picture, tmp_path / "out", network=DotNetwork())
    marked = read_picture(tmp_path / "out" / PICTURE_FILE)
    assert (marked[:, :150] == image[:, :150]).all()
    assert (marked != image).any(axis=-1).sum() > 2000


def test_the_table_states_covariances_along_their_axes():
    spread = np.array([[9.0, 4.0], [4.0, 5.0]])
    reading = Readings(
        AT_PX,
        np.tile(spread, (len(POINTS), 1, 1)),
        np.tile([0.2, 0.7, 0.1], (len(POINTS), 1)),
        np.array(0.9),
    )
    row = joint_table(reading).iloc[3]
    assert row["sd_major_px"] ** 2 + row["sd_minor_px"] ** 2 == pytest.approx(np.trace(spread))
    along = np.array([np.cos(np.radians(row["angle_deg"])), np.sin(np.radians(row["angle_deg"]))])
    assert spread @ along == pytest.approx(row["sd_major_px"] ** 2 * along)
    assert row["state"] == "hidden"
