"""The lifter is read, not the spotter; sides, coordinates and confidences are right."""

import json
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.errors import OptionError
from barpath.pose import (
    JOINTS,
    BarHint,
    BundledBackend,
    Landmarks,
    PoseBackend,
    PoseConfig,
    PoseEstimator,
    Region,
    TaskBackend,
    bar_hint,
    estimate_pose,
    estimate_pose_image,
    fix_sides,
    hide_above_bar,
    line_hint,
    person_score,
    turn_back,
)

PHOTOS = Path(__file__).parents[2] / "shared" / "real"
SIDE_PX = 256
N = 33


def place_image(side_px: int = SIDE_PX) -> np.ndarray:
    """A picture whose red and green say where each pixel is, so that a crop can be located."""
    y, x = np.mgrid[:side_px, :side_px]
    return np.dstack([x, y, np.full_like(x, 200)]).astype(np.uint8)


def body(**joints: tuple[float, float]) -> np.ndarray:
    """All 33 points of a person from the main joints; the others lie on the nose or the ends."""
    index = {
        "shoulder": 11,
        "elbow": 13,
        "wrist": 15,
        "hip": 23,
        "knee": 25,
        "ankle": 27,
    }
    xy = np.tile(np.array(joints["nose"], float), (N, 1))
    for name, k in index.items():
        xy[k], xy[k + 1] = joints[f"left_{name}"], joints[f"right_{name}"]
    for k in (17, 19, 21):
        xy[[k, k + 1]] = xy[[15, 16]]
    for k in (29, 31):
        xy[[k, k + 1]] = xy[[27, 28]]
    return xy


def landmarks(xy: np.ndarray, **changes: object) -> Landmarks:
    values = {
        "xy_px": np.asarray(xy, float),
        "depth": np.zeros(N),
        "visibility": np.full(N, 0.95),
        "presence": 0.95,
        "network": "fake",
    }
    return Landmarks(**(values | changes))


# Seen from the feet, 1 px = 1 cm: bar across at y = 80, hands 60 cm apart.
LIFTER = body(
    nose=(128, 118),
    left_shoulder=(148, 130),
    right_shoulder=(108, 130),
    left_elbow=(165, 108),
    right_elbow=(91, 108),
    left_wrist=(158, 86),
    right_wrist=(98, 86),
    left_hip=(142, 160),
    right_hip=(114, 160),
    left_knee=(165, 170),
    right_knee=(91, 170),
    left_ankle=(165, 215),
    right_ankle=(91, 215),
)
SPOTTER = body(
    nose=(128, 15),
    left_shoulder=(148, 30),
    right_shoulder=(108, 30),
    left_elbow=(152, 55),
    right_elbow=(104, 55),
    left_wrist=(150, 78),
    right_wrist=(106, 78),
    left_hip=(140, 82),
    right_hip=(116, 82),
    left_knee=(140, 125),
    right_knee=(116, 125),
    left_ankle=(140, 165),
    right_ankle=(116, 165),
)
# Seen from the side, head to the image's right, plate of 45 px at (150, 90).
SIDE_LIFTER = body(
    nose=(190, 150),
    left_shoulder=(160, 152),
    right_shoulder=(160, 150),
    left_elbow=(148, 125),
    right_elbow=(150, 124),
    left_wrist=(150, 98),
    right_wrist=(151, 96),
    left_hip=(110, 155),
    right_hip=(110, 153),
    left_knee=(75, 150),
    right_knee=(75, 148),
    left_ankle=(75, 190),
    right_ankle=(78, 188),
)


@dataclass
class FakeBackend:
    """Finds given persons in crops and turned copies of `place_image`, as far as they are seen.

    Like the real network it reads only a person who stands about upright in the crop, with the
    hips near its middle.
    """

    persons_px: list[np.ndarray]
    crop_px: int = 128
    n_reads: int = 0
    whole_picture: bool = True

    def _map(self, picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Affine map image -> picture, measured from the picture's colours alone."""
        height, width = picture.shape[:2]
        y, x = np.mgrid[:height, :width]
        seen = cv2.erode((picture[..., 2] == 200).astype(np.uint8), np.ones((3, 3))) > 0
        if seen.sum() < 100:
            return np.zeros((2, 3)), seen
        image_xy = np.column_stack([picture[seen][:, :2].astype(float), np.ones(seen.sum())])
        fit, *_ = np.linalg.lstsq(image_xy, np.column_stack([x[seen], y[seen]]), rcond=None)
        return fit.T, seen

    def _visible(self, picture: np.ndarray) -> list[np.ndarray]:
        matrix, seen = self._map(picture)
        found = []
        for person in self.persons_px:
            xy = person @ matrix[:, :2].T + matrix[:, 2]
            col, row = xy[[11, 12, 23, 24]].mean(axis=0).round().astype(int)
            inside = 0 <= row < seen.shape[0] and 0 <= col < seen.shape[1]
            if inside and seen[row, col]:
                found.append(xy)
        return found

    def persons(self, image: np.ndarray) -> list[Region | Landmarks]:
        if not self.whole_picture:
            return []
        regions = []
        for xy in self._visible(image):
            hips, up = xy[[23, 24]].mean(axis=0), xy[[11, 12]].mean(axis=0)
            dx, dy = up - hips
            angle = float(np.degrees(np.arctan2(dx, -dy)))
            if abs(angle) < 100:
                regions.append(Region(hips[0], hips[1], 180.0, angle))
        return regions

    def person(self, crop: np.ndarray) -> Landmarks | None:
        self.n_reads += 1
        best = None
        for xy in self._visible(crop):
            hips, up = xy[[23, 24]].mean(axis=0), xy[[11, 12]].mean(axis=0)
            dx, dy = up - hips
            off = np.hypot(*(hips - (self.crop_px - 1) / 2))
            upright = abs(np.degrees(np.arctan2(dx, -dy))) < 45
            if upright and off < 30 and (best is None or off < best[0]):
                scale = np.hypot(dx, dy)
                best = off, xy, Region(hips[0], hips[1], max(5.0 * scale, 90.0))
        if best is None:
            return None
        return landmarks(best[1], region=best[2])

    def close(self) -> None:
        pass


@dataclass
class StillFrame:
    index: int
    time_s: float
    image: np.ndarray


def front_bar(n: int = 1, y_px: float = 80.0) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "frame": range(n),
            "time_s": np.arange(n) / 30,
            "image_left_x_px": 62.5,
            "image_left_y_px": y_px,
            "image_right_x_px": 193.5,
            "image_right_y_px": y_px,
        }
    )


def plate_bar(n: int = 1) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "frame": range(n),
            "time_s": np.arange(n) / 30,
            "x_px": 150.0,
            "y_px": 90.0,
            "major_px": 45.0,
            "minor_px": 44.0,
            "angle_deg": 90.0,
        }
    )


def frames(n: int) -> list[StillFrame]:
    return [StillFrame(i, i / 30, place_image()) for i in range(n)]


def joint(table: pd.DataFrame, name: str, row: int = 0) -> np.ndarray:
    return table.loc[row, [f"{name}_x_px", f"{name}_y_px"]].to_numpy(float)


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle_deg", [0.0, 90.0, -37.0, 180.0])
def test_region_round_trip_is_exact_and_shows_the_pixels_it_says(
    angle_deg: float, mirrored: bool
) -> None:
    region = Region(100.0, 90.0, 128.0, angle_deg, mirrored)
    points = np.random.default_rng(1).uniform(0, 200, (20, 2))
    back = region.to_image(region.to_crop(points, 256), 256)
    np.testing.assert_allclose(back, points, atol=1e-9)

    image = np.zeros((200, 200, 3), np.uint8)
    image[70:73, 120:123] = 255
    crop = region.crop(image, 256)[..., 0].astype(float)
    y, x = np.mgrid[:256, :256]
    centroid = [(crop * x).sum() / crop.sum(), (crop * y).sum() / crop.sum()]
    np.testing.assert_allclose(region.to_image(np.array([centroid]), 256)[0], [121, 71], atol=0.02)


def test_shrunken_crop_keeps_places() -> None:
    image = np.zeros((700, 900, 3), np.uint8)
    cv2.circle(image, (400, 310), 12, (255, 255, 255), -1)
    region = Region(420.0, 300.0, 610.0, 20.0)
    crop = region.crop(image, 128)[..., 0].astype(float)
    y, x = np.mgrid[:128, :128]
    centroid = [(crop * x).sum() / crop.sum(), (crop * y).sum() / crop.sum()]
    np.testing.assert_allclose(region.to_image(np.array([centroid]), 128)[0], [400, 310], atol=0.15)


@pytest.mark.parametrize(
    ("turn", "code"),
    [
        (90, cv2.ROTATE_90_CLOCKWISE),
        (-90, cv2.ROTATE_90_COUNTERCLOCKWISE),
        (180, cv2.ROTATE_180),
    ],
)
def test_turn_back_inverts_opencv_rotation(turn: int, code: int) -> None:
    image = np.zeros((5, 9), np.uint8)
    image[3, 7] = 1
    turned = cv2.rotate(image, code)
    row, col = np.argwhere(turned)[0]
    assert turn_back(np.array([[col, row]]), turn, image.shape).tolist() == [[7.0, 3.0]]


def test_fake_backend_meets_the_protocol() -> None:
    assert isinstance(FakeBackend([]), PoseBackend)
    for kind in (BundledBackend, TaskBackend):
        assert isinstance(kind.__new__(kind), PoseBackend)


def test_lifter_is_chosen_with_the_spotter_first() -> None:
    backend = FakeBackend([SPOTTER, LIFTER])
    table = estimate_pose(frames(3), front_bar(3), "front", backend=backend)
    assert list(table.frame) == [0, 1, 2]
    for row in range(3):
        np.testing.assert_allclose(joint(table, "left_wrist", row), [158, 86], atol=0.3)
        np.testing.assert_allclose(joint(table, "right_shoulder", row), [108, 130], atol=0.3)
    assert (table.person_score > PoseConfig().good_score).all()
    assert {f"{name}_confidence" for name in JOINTS} <= set(table.columns)


def test_only_the_spotter_gives_no_joints() -> None:
    table = estimate_pose(frames(4), front_bar(4), "front", backend=FakeBackend([SPOTTER]))
    positions = table[[f"{name}_x_px" for name in JOINTS]]
    assert positions.isna().all().all()
    assert (table[[f"{name}_confidence" for name in JOINTS]] == 0).all().all()
    assert (table.variant == "").all()
    assert (table.person_score < PoseConfig().accept_score).all()


def test_lifter_is_found_from_the_bar_when_the_whole_picture_shows_nobody() -> None:
    backend = FakeBackend([LIFTER, SPOTTER], whole_picture=False)
    table = estimate_pose(frames(2), front_bar(2), "front", backend=backend)
    assert table.variant[0].startswith("bar_crop")
    np.testing.assert_allclose(joint(table, "right_wrist"), [98, 86], atol=0.3)


@pytest.mark.parametrize("head", ["right", "left"])
def test_side_view_reads_a_lying_lifter_in_either_direction(head: str) -> None:
    person, bar = SIDE_LIFTER.copy(), plate_bar(2)
    if head == "left":
        person[:, 0] = SIDE_PX - 1 - person[:, 0]
        bar["x_px"] = SIDE_PX - 1 - bar["x_px"]
    table = estimate_pose(frames(2), bar, "side", backend=FakeBackend([person]))
    np.testing.assert_allclose(joint(table, "left_wrist"), person[15], atol=0.3)
    assert table.person_score[0] > 0.5


def test_cost_is_near_the_crops_followed() -> None:
    backend = FakeBackend([SPOTTER, LIFTER])
    estimate_pose(frames(120), front_bar(120), "front", backend=backend)
    assert backend.n_reads < (PoseConfig().n_crops + 1.5) * 120


def test_cost_stays_bounded_when_the_lifter_is_absent() -> None:
    backend = FakeBackend([SPOTTER])
    estimate_pose(frames(64), front_bar(64), "front", backend=backend)
    assert backend.n_reads < 3 * 64 + 40


def test_sides_from_the_feet_are_put_right() -> None:
    hint = bar_hint(front_bar().iloc[0])
    good = landmarks(LIFTER)
    for wrong in (good.swapped(), good.arms_swapped(), good.swapped().arms_swapped()):
        fixed = fix_sides(wrong, "front", hint)
        np.testing.assert_array_equal(fixed.xy_px, good.xy_px)
    np.testing.assert_array_equal(fix_sides(good, "front", hint).xy_px, good.xy_px)


@pytest.mark.parametrize(("head_x", "near"), [(1, "left"), (-1, "right")])
def test_near_side_in_side_view_follows_from_the_heads_direction(head_x: int, near: str) -> None:
    # A person on the back with the head to the viewer's right has the left side nearer: the right
    # hand rule for left = (toward the head) x (up), written out independently here.
    toward_head, up = np.array([head_x, 0, 0]), np.array([0, 0, 1])
    toward_camera = -np.cross(toward_head, up)[1]
    assert ("left" if toward_camera > 0 else "right") == near
    xy = SIDE_LIFTER.copy()
    if head_x < 0:
        xy[:, 0] = 255 - xy[:, 0]
    depth = np.zeros(N)
    depth[11::2], depth[12::2] = (-40, 40) if near == "left" else (40, -40)
    person = landmarks(xy, depth=depth)
    np.testing.assert_array_equal(fix_sides(person, "side").xy_px, xy)
    np.testing.assert_array_equal(fix_sides(person.swapped(), "side").xy_px, xy)


def test_crossed_arms_in_side_view_follow_the_frame_before() -> None:
    xy = SIDE_LIFTER.copy()
    xy[[14, 16]] += [12, 0]
    crossed = landmarks(xy).arms_swapped()
    fixed = fix_sides(crossed, "side", previous_px=xy + 1.0)
    np.testing.assert_array_equal(fixed.xy_px, xy)


def test_score_prefers_wrists_on_the_bar_and_shoulders_below() -> None:
    hint = bar_hint(front_bar().iloc[0])
    good = person_score(landmarks(LIFTER), "front", hint)
    off = LIFTER.copy()
    off[[15, 16]] += [0, 30]
    assert good > 0.8
    assert person_score(landmarks(off), "front", hint) < 0.4 * good
    assert person_score(landmarks(SPOTTER), "front", hint) < 0.05 * good
    assert person_score(landmarks(SPOTTER), "front") < 0.5 * person_score(
        landmarks(LIFTER), "front"
    )
    jumped = person_score(landmarks(LIFTER), "front", hint, LIFTER + np.array([60, 0]))
    assert jumped < 0.4 * good


def test_plate_gives_the_bars_axis_as_projected() -> None:
    # A disc whose normal is turned 50 degrees from the line of sight, projected in parallel: the
    # projected normal is the reference for the axis.
    tilt, roll, radius = np.radians(50.0), np.radians(12.0), 40.0
    normal = np.array([np.sin(tilt) * np.cos(roll), np.sin(tilt) * np.sin(roll), np.cos(tilt)])
    u = np.cross(normal, [0, 0, 1.0])
    u /= np.linalg.norm(u)
    v = np.cross(normal, u)
    t = np.linspace(0, 2 * np.pi, 200, endpoint=False)[:, None]
    rim = radius * (np.cos(t) * u + np.sin(t) * v)
    (x, y), (a, b), angle = cv2.fitEllipse((rim[:, :2] + 100).astype(np.float32))
    major, minor, major_angle = (b, a, angle + 90) if b > a else (a, b, angle)
    row = {"x_px": x, "y_px": y, "major_px": major, "minor_px": minor, "angle_deg": major_angle}
    hint = bar_hint(row)
    axis = normal[:2] / np.linalg.norm(normal[:2])
    assert abs(hint.axis @ axis) > np.cos(np.radians(0.5))
    reach_m = hint.after_px * hint.m_per_px
    assert 1.31 * np.sin(tilt) < reach_m < 1.31 * np.sin(tilt) + 0.35
    assert hint.hidden(np.array([[100.0, 100.0], [100.0 + 2 * radius, 100.0]])).tolist() == [
        True,
        False,
    ]


def test_lost_bar_gives_no_hint_and_the_lifter_is_still_read() -> None:
    bar = front_bar(2)
    bar.loc[1, ["image_left_x_px", "image_left_y_px"]] = np.nan
    assert bar_hint(bar.iloc[1]) is None
    table = estimate_pose(frames(2), bar, "front", backend=FakeBackend([SPOTTER, LIFTER]))
    np.testing.assert_allclose(joint(table, "left_wrist", 1), [158, 86], atol=0.5)


def test_confidence_falls_for_hidden_joints_and_wrists_off_the_bar() -> None:
    table = estimate_pose(frames(1), plate_bar(1), "side", backend=FakeBackend([SIDE_LIFTER]))
    row = table.iloc[0]
    assert row.left_wrist_confidence < 0.5
    assert row.left_shoulder_confidence > 0.7

    off = LIFTER.copy()
    off[15] += [0, 18]
    table = estimate_pose(frames(1), front_bar(1), "front", backend=FakeBackend([off]))
    row = table.iloc[0]
    assert row.left_wrist_confidence < 0.5 * row.right_wrist_confidence


def test_confidence_falls_for_a_joint_that_jumps() -> None:
    backend = FakeBackend([LIFTER])
    jumped = LIFTER.copy()
    jumped[13] += [14, -10]

    def moving() -> Iterator[StillFrame]:
        for frame in frames(12):
            backend.persons_px = [jumped if frame.index == 7 else LIFTER]
            yield frame

    table = estimate_pose(moving(), front_bar(12), "front", backend=backend)
    np.testing.assert_allclose(joint(table, "left_elbow", 7), jumped[13], atol=0.5)
    others = table.left_elbow_confidence.drop(7)
    assert table.left_elbow_confidence[7] < 0.6 * others.min()


def test_hiding_keeps_everything_from_the_hands_down() -> None:
    image = place_image()
    hint = bar_hint(front_bar().iloc[0])
    hidden = hide_above_bar(image, hint)
    assert (hidden[:60] == 128).all()
    assert (hidden[72:] == image[72:]).all()


def test_line_hint_needs_a_scale_when_end_on() -> None:
    with pytest.raises(OptionError, match="scale"):
        line_hint(np.array([[10.0, 10.0], [10.0, 10.0]]))
    hint = line_hint(np.array([[231.0, 50.0], [100.0, 50.0]]))
    assert hint.m_per_px == pytest.approx(0.01)
    assert isinstance(hint, BarHint)


def test_unknown_view_is_refused() -> None:
    with pytest.raises(OptionError, match="view"):
        PoseEstimator("behind")


def test_unusable_model_files_are_refused_in_one_sentence(tmp_path: Path) -> None:
    with pytest.raises(OptionError, match="no pose model file"):
        TaskBackend(tmp_path / "none.task")
    path = tmp_path / "broken.task"
    path.write_bytes(b"not a model")
    with pytest.raises(OptionError, match="not a usable pose landmarker"):
        TaskBackend(path)


@pytest.mark.slow
def test_a_users_model_file_reads_the_lifter(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    photo = PHOTOS / "photo_a_top.jpg"
    if not photo.is_file():
        pytest.skip("the shared photos are not here")
    import mediapipe
    from mediapipe.tasks.python.metadata.metadata_writers.metadata_writer import MetadataWriter

    models = Path(mediapipe.__file__).parent / "modules"
    path = tmp_path / "own.task"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as bundle:
        for name, model, mean, sd in (
            ("pose_detector.tflite", "pose_detection/pose_detection.tflite", 127.5, 127.5),
            ("pose_landmarks_detector.tflite", "pose_landmark/pose_landmark_full.tflite", 0, 255),
        ):
            writer = MetadataWriter.create(bytearray((models / model).read_bytes()))
            writer.add_image_input([float(mean)], [float(sd)])
            bundle.writestr(name, bytes(writer.populate()[0]))
    image = cv2.cvtColor(cv2.imread(str(photo)), cv2.COLOR_BGR2RGB)
    hint = line_hint(np.array([(355.0, 90.0), (650.0, 125.0)]))
    with TaskBackend(path) as backend:
        table = estimate_pose_image(image, "oblique", hint, backend=backend)
    wrists = np.array([joint(table, f"{side}_wrist") for side in ("left", "right")])
    assert (hint.distance_m(wrists) < 0.12).all()
    assert capfd.readouterr().err == ""


@pytest.fixture(scope="module")
def network() -> BundledBackend:
    with BundledBackend() as backend:
        yield backend


def test_network_starts_and_runs_silently(capfd: pytest.CaptureFixture[str]) -> None:
    with BundledBackend() as backend:
        backend.persons(np.full((120, 160, 3), 90, np.uint8))
        backend.person(np.full((256, 256, 3), 90, np.uint8))
    captured = capfd.readouterr()
    assert captured.err == ""
    assert captured.out == ""


def test_empty_picture_gives_no_lifter(network: BundledBackend) -> None:
    noise = np.random.default_rng(0).integers(0, 255, (240, 320, 3), dtype=np.uint8)
    table = estimate_pose_image(noise, "front", line_hint(np.array([[80, 90], [240, 92.0]])))
    assert np.isnan(table.left_wrist_x_px[0])


# Bars marked by hand where the shaft meets the plates; end-on, the sleeve's 50 mm give the scale.
@pytest.mark.parametrize(
    ("name", "view", "line", "m_per_px"),
    [
        ("a_top", "oblique", [(355, 90), (650, 125)], None),
        ("b_top", "side", [(525, 33), (525, 33)], 1 / 620),
        ("b_bottom", "side", [(440, 175), (440, 175)], 1 / 620),
        ("c_bottom", "oblique", [(265, 175), (530, 240)], None),
    ],
)
def test_wrists_reach_the_bar_on_real_photos(
    network: BundledBackend, name: str, view: str, line: list, m_per_px: float | None
) -> None:
    path = PHOTOS / f"photo_{name}.jpg"
    if not path.is_file():
        pytest.skip("the shared photos are not here")
    image = cv2.cvtColor(cv2.imread(str(path)), cv2.COLOR_BGR2RGB)
    hint = line_hint(np.array(line, float), m_per_px)
    for known in (hint, None):
        table = estimate_pose_image(image, view, known, backend=network)
        wrists = np.array([joint(table, f"{side}_wrist") for side in ("left", "right")])
        # The wrist's centre lies some centimetres from the axis of a gripped bar.
        assert (hint.distance_m(wrists) < 0.12).all()
        assert joint(table, "left_hip")[0] < joint(table, "left_shoulder")[0]


def made_clips() -> list[tuple[Path, pd.DataFrame]]:
    """Made front-view clips with their truth, as far as they have been generated."""
    folder = Path(__file__).parents[1] / "sample_clips_synthetic"
    found = []
    for described in sorted(folder.rglob("*.truth.json")):
        clip = described.with_name(described.name.replace(".truth.json", ".mp4"))
        if clip.is_file() and json.loads(described.read_text())["view"] == "front":
            found.append((clip, pd.read_csv(described.with_suffix(".csv"))))
    return found


def test_joints_agree_with_a_made_clips_truth(network: BundledBackend) -> None:
    clips = made_clips()
    if not clips:
        pytest.skip("no made clips here")
    path, truth = clips[0]
    asked = list(range(20, min(len(truth), 110), 30))
    capture = cv2.VideoCapture(str(path))
    pictures = []
    for index in range(asked[-1] + 1):
        ok, image = capture.read()
        assert ok
        if index in asked:
            image = cv2.cvtColor(image, cv2.COLOR_BGR2RGB)
            pictures.append(StillFrame(index, float(truth.time_s[index]), image))
    bar = truth.loc[asked, ["frame", "time_s"]].copy()
    for image_side, side in (("image_left", "right"), ("image_right", "left")):
        for axis in "xy":
            bar[f"{image_side}_{axis}_px"] = truth.loc[asked, f"{side}_plate_inner_{axis}_px"]
    table = estimate_pose(pictures, bar, "front", backend=network)
    scale = np.array([bar_hint(row).m_per_px for row in bar.to_dict("records")])
    for name, limit_m in (("wrist", 0.06), ("elbow", 0.12), ("shoulder", 0.12)):
        apart_m = []
        for side in ("left", "right"):
            known = truth.loc[asked, [f"{side}_{name}_x_px", f"{side}_{name}_y_px"]].to_numpy()
            read = table[[f"{side}_{name}_x_px", f"{side}_{name}_y_px"]].to_numpy()
            apart_m.append(np.linalg.norm(read - known, axis=1) * scale)
        assert np.median(apart_m) < limit_m
