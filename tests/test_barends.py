"""Where the shaft ends, on the made front views of `test_barline`, whose geometry is known."""

from types import SimpleNamespace

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.sight.barends import ENDS, find_shaft_ends, place_ends
from barpath.sight.barstrips import BarStrips, EndsConfig, laid_along

from .test_barline import Frames, Gym, Truth, made

SPAN_M = 1.37
"""Between the plates' faces of the made bar: 1.31 m of shaft (IPF Technical Rules Book, from
memory) and two shoulders of 30 mm."""
FOCAL_PX, MIDDLE_PX = 0.82 * 960, 479.5


@pytest.fixture(scope="module")
def plain() -> tuple[Frames, Truth]:
    return made(Gym(), 96, step=2)


def tracked(truth: Truth, off_m: tuple[float | np.ndarray, ...]) -> pd.DataFrame:
    """A bar table whose ends lie so much too far out on the picture's left and right."""
    table = truth[["frame"]].assign(time_s=truth["frame"] / 30)
    for end, sign, off in zip(ENDS, (-1, 1), off_m, strict=True):
        for axis in "xy":
            along = truth[f"image_right_{axis}_px"] - truth[f"image_left_{axis}_px"]
            table[f"{end}_{axis}_px"] = truth[f"{end}_{axis}_px"] + sign * off / SPAN_M * along
        table[f"{end}_state"] = "seen"
    return table


def strips_of(frames: Frames, table: pd.DataFrame, *, bare: bool = False) -> BarStrips:
    strips = BarStrips(bare=bare)
    for frame, row in zip(frames, table.to_dict("records"), strict=True):
        strips.update(frame.image, row)
    return strips


def span_error(table: pd.DataFrame, truth: Truth) -> np.ndarray:
    """Relative error of the distance between the ends."""
    found, true = (t["image_right_x_px"] - t["image_left_x_px"] for t in (table, truth))
    return (found / true - 1.0).to_numpy()


def readings(truth: Truth, off_m: float | np.ndarray, sd_m: float = 0.01) -> pd.DataFrame:
    """A pose table with both of the shaft's ends read so much too far out, surely in the crop."""
    across = truth["image_right_x_px"] - truth["image_left_x_px"]
    middle = (truth["image_right_x_px"] + truth["image_left_x_px"]) / 2
    joints = truth[["frame"]].assign(time_s=truth["frame"] / 30)
    for side, sign, end in (("right", -1, ENDS[0]), ("left", 1, ENDS[1])):
        joints[f"{side}_collar_x_px"] = middle + sign * (0.655 + off_m) / SPAN_M * across
        joints[f"{side}_collar_y_px"] = truth[f"{end}_y_px"]
        joints[f"{side}_collar_var_x_px2"] = (sd_m / SPAN_M * across) ** 2
        joints[f"{side}_collar_seen"], joints[f"{side}_collar_hidden"] = 0.95, 0.02
    return joints


@pytest.mark.parametrize("off_m", [(0.0, 0.0), (0.025, -0.02), (-0.03, -0.03)])
def test_ends_tracked_wrong_are_put_where_the_shaft_ends(
    plain: tuple[Frames, Truth], off_m: tuple[float, float]
) -> None:
    frames, truth = plain
    table = tracked(truth, off_m)
    found = place_ends(table, strips_of(frames, table), None, FOCAL_PX, MIDDLE_PX)
    error = span_error(found, truth)
    assert np.abs(error).max() < 0.007
    assert np.abs(error).max() < 2.5 * found["span_rel_sd"].iloc[0]
    for end in ENDS:
        assert np.abs(found[f"{end}_x_px"] - truth[f"{end}_x_px"]).max() < 2.5
        assert np.abs(found[f"{end}_y_px"] - truth[f"{end}_y_px"]).max() < 0.3


def test_readings_say_where_the_step_is_sought(plain: tuple[Frames, Truth]) -> None:
    frames, truth = plain
    table = tracked(truth, (0.06, 0.06))
    strips = strips_of(frames, table)
    found = place_ends(table, strips, readings(truth, 0.01), FOCAL_PX, MIDDLE_PX)
    assert np.abs(span_error(found, truth)).max() < 0.01


def test_what_is_read_while_the_bar_rests_counts_once(plain: tuple[Frames, Truth]) -> None:
    """Before the scenery where it rests the ends are read too far in, over and over."""
    frames, truth = plain
    table = tracked(truth, (0.0, 0.0))
    height = truth["image_left_y_px"]
    rests = (height - height.min() < np.ptp(height) / 16).to_numpy()
    joints = readings(truth, np.where(rests, -0.1, 0.0))
    joints = pd.concat([joints, *[joints[rests]] * 12])
    assert joints["frame"].isin(truth["frame"][rests]).mean() > 0.6
    found = place_ends(table, strips_of(frames, table), joints, FOCAL_PX, MIDDLE_PX)
    assert np.abs(span_error(found, truth)).max() < 0.01


def test_ends_that_may_as_well_lie_outside_the_crop_count_little(
    plain: tuple[Frames, Truth],
) -> None:
    """They are read at its border, oftener than the ends are read where they are."""
    frames, truth = plain
    table = tracked(truth, (0.0, 0.0))
    cut = np.arange(len(truth)) % 5 > 1
    joints = readings(truth, np.where(cut, -0.1, 0.0))
    joints.loc[cut, ["left_collar_seen", "right_collar_seen"]] = 0.53
    found = place_ends(table, strips_of(frames, table), joints, FOCAL_PX, MIDDLE_PX)
    assert np.abs(span_error(found, truth)).max() < 0.01


def test_readings_that_disagree_among_heights_leave_the_length_open() -> None:
    """Half of the way they lie 8 cm farther in, and no outline decides."""
    _, truth = made(Gym(), 96, step=2)
    table = tracked(truth, (0.0, 0.0))
    height = truth["image_left_y_px"]
    low = (height - height.min() > np.ptp(height) / 2).to_numpy()
    alike, apart = (
        place_ends(table, BarStrips(), readings(truth, off_m), FOCAL_PX, MIDDLE_PX)
        for off_m in (0.0, np.where(low, -0.08, 0.0))
    )
    error = np.abs(span_error(apart, truth)).max()
    assert error < 2.0 * apart["span_rel_sd"].iloc[0]
    assert apart["span_rel_sd"].iloc[0] > 1.25 * alike["span_rel_sd"].iloc[0]


def test_creep_of_the_tracked_ends_with_the_height_is_taken_out(
    plain: tuple[Frames, Truth],
) -> None:
    """Ends that lie farther out the lower the bar is make its way up look too long."""
    frames, truth = plain
    low = truth["image_left_y_px"] - truth["image_left_y_px"].min()
    off_m = 0.012 * (low / low.max()).to_numpy()
    table = tracked(truth, (off_m, off_m))
    before = span_error(table, truth)
    after = span_error(
        place_ends(table, strips_of(frames, table), None, FOCAL_PX, MIDDLE_PX), truth
    )
    assert np.ptp(before) == pytest.approx(2 * 0.012 / SPAN_M, rel=0.01)
    assert np.ptp(after) < 0.3 * np.ptp(before)


def test_ends_of_a_bar_without_plates() -> None:
    frames, truth = made(Gym(plate_m=0.05), 96, step=2)
    table = tracked(truth, (-0.05, 0.04))
    # A sleeve looks much alike all along: now and then it is found beside its place.
    table.loc[[7, 8, 30], "image_right_x_px"] += 15.0
    found = place_ends(table, strips_of(frames, table, bare=True), None, FOCAL_PX, MIDDLE_PX)
    error = np.abs(span_error(found, truth)).max()
    assert error < 0.01
    assert error < 2.5 * found["span_rel_sd"].iloc[0] < 0.03


def test_one_end_of_a_bare_bar_followed_beside_its_place_for_long() -> None:
    """Half the clip one end is followed 5 cm farther out; both wander as the bar does."""
    frames, truth = made(Gym(plate_m=0.05), 96, step=2)
    table = tracked(truth, (-0.03, 0.02))
    metre_px = float((truth["image_right_x_px"] - truth["image_left_x_px"]).median()) / SPAN_M
    long = slice(len(table) // 4, 3 * len(table) // 4)
    table.loc[table.index[long], "image_right_x_px"] += 0.05 * metre_px
    found = place_ends(table, strips_of(frames, table, bare=True), None, FOCAL_PX, MIDDLE_PX)
    error = np.abs(span_error(found, truth)).max()
    assert np.ptp(span_error(table, truth)) > 0.03
    assert error < 0.01
    assert error < 2.5 * found["span_rel_sd"].iloc[0] < 0.03


def test_a_bare_bar_that_moves_sideways_keeps_most_of_that() -> None:
    """What of it goes with the height cannot be told from perspective by both ends alone."""
    frames, truth = made(Gym(plate_m=0.05), 96, step=2)
    table = tracked(truth, (0.0, 0.0))
    shift_px = np.round(np.linspace(0, 8, len(table))).astype(int)
    frames = [
        SimpleNamespace(image=np.roll(frame.image, shift, axis=1))
        for frame, shift in zip(frames, shift_px, strict=True)
    ]
    names = [f"{end}_x_px" for end in ENDS]
    table[names] += shift_px[:, None]
    found = place_ends(table, strips_of(frames, table, bare=True), None, FOCAL_PX, MIDDLE_PX)
    middle = found[names].mean(axis=1) - truth[names].mean(axis=1)
    assert 4.0 < np.ptp(middle) < 9.0


def test_a_bare_bar_whose_sleeves_upper_sides_were_followed_is_found_below_them() -> None:
    """The line that was followed lies 28 mm above the axis, and both ends 8 cm too far in."""
    frames, truth = made(Gym(plate_m=0.05), 96, step=2)
    metre_px = float((truth["image_right_x_px"] - truth["image_left_x_px"]).median()) / SPAN_M
    table = tracked(truth, (-0.08, -0.08))
    for end in ENDS:
        table[f"{end}_y_px"] -= 0.028 * metre_px
    found = place_ends(table, strips_of(frames, table, bare=True), None, FOCAL_PX, MIDDLE_PX)
    error = np.abs(span_error(found, truth)).max()
    assert error < 0.01
    assert error < 2.5 * found["span_rel_sd"].iloc[0] < 0.03
    for end in ENDS:
        assert np.abs(found[f"{end}_y_px"] - truth[f"{end}_y_px"]).median() < 1.5


def test_a_bare_bar_s_ends_are_expected_where_they_are_read_rather_than_tracked() -> None:
    """By hand: the mean of both by their inverse variances, where no outline decides."""
    config = EndsConfig()
    _, truth = made(Gym(plate_m=0.05), 96, step=2)
    table = tracked(truth, (0.0, 0.0))
    read_m, sd_m = 0.755, 0.03
    joints = readings(truth, read_m - 0.655, sd_m)
    found = place_ends(table, BarStrips(bare=True), joints, FOCAL_PX, MIDDLE_PX)
    read_sd_m = np.hypot(sd_m, config.read_sd_m)
    weights = np.array([read_sd_m, config.bare_sd_m]) ** -2.0
    faces_m = config.barbell.inner_faces_m
    read_m = read_m / SPAN_M * faces_m + config.bare_inward_m
    expected_m = weights @ [read_m, config.barbell.shaft_m / 2] / weights.sum()
    wanted = expected_m / (config.barbell.shaft_m / 2) - 1.0
    assert np.median(span_error(found, truth)) == pytest.approx(wanted, abs=0.008)
    assert wanted > 0.14
    sd = np.sqrt(2.0 / weights.sum()) / (2.0 * expected_m)
    assert found["span_rel_sd"].iloc[0] == pytest.approx(sd, rel=0.1)


def test_an_upright_edge_behind_a_bare_bar_s_end_does_not_hold_it() -> None:
    """A post stands just outside of where the sleeve begins, with the bar before it all the way."""
    config = EndsConfig()
    half_m, n = 0.686, 40
    strips = BarStrips(config, bare=True)
    height, width = 400, 1100
    metre_px = 480.0
    rows, columns = np.indices((height, width))
    for frame in range(n):
        axis_px = 100.0 + 200.0 * frame / n
        # Lower down the bar is nearer, and looks longer and thicker.
        near = 1.0 + 0.04 * frame / n
        along = np.abs(columns - 550.0) / (metre_px * near)
        off = np.abs(rows - axis_px) / (metre_px * near)
        picture = np.full((height, width), 70.0)
        for sign in (-1, 1):
            begins = 550 + sign * 0.70 * metre_px
            picture[
                :, round(min(begins, begins + sign * 20)) : round(max(begins, begins + sign * 20))
            ] = 150
        picture[off < np.where(along > 0.655, 0.025, 0.0143)] = 190.0
        picture[(along > 0.655) & (along < 0.685) & (off < 0.036)] = 110.0
        image = cv2.GaussianBlur(picture, (0, 0), 0.8).astype(np.uint8)
        row = {"frame": frame}
        for end, sign in zip(ENDS, (-1, 1), strict=True):
            # Followed at one column, whatever its height.
            row |= {f"{end}_x_px": 550 + sign * half_m * metre_px, f"{end}_y_px": axis_px}
            row |= {f"{end}_state": "seen"}
        strips.update(image, row)
    picture = strips.picture()
    assert picture is not None
    slopes, _ = strips.drift(picture, strips.spread(picture), np.full(2, 0.668))
    # By hand: 4 % of the way to the shaft's end, in the followed ends' metres, over the travel.
    wanted = 0.04 * 0.655 / (200.0 * (n - 1) / n)
    assert slopes == pytest.approx([-wanted, wanted], rel=0.25)


def test_without_a_step_what_was_expected_stays_with_its_uncertainty() -> None:
    expected, sd = np.array([0.65, 0.66]), np.array([0.012, 0.018])
    even = laid_along(np.full((90, 400), 90.0, dtype=np.float32), np.array([[20, 50], [380, 50]]))
    for picture in (None, even):
        found = find_shaft_ends(picture, expected, sd, np.array([0.2, 0.2]), 300.0)
        assert found.along_m == pytest.approx(expected, abs=1e-6)
        assert np.sqrt(np.diag(found.covariance_m2)) == pytest.approx(sd, rel=0.05)


@pytest.mark.parametrize(("changed_level", "found_m"), [(0.0, 0.60), (60.0, 0.655)])
def test_what_changes_behind_the_bar_is_no_shoulder(changed_level: float, found_m: float) -> None:
    """A band of the scenery that ends short of a faint shoulder, clearer and of its height."""
    config = EndsConfig()
    ends = np.array([[20, 50], [380, 50]])
    picture = laid_along(np.full((90, 400), 80.0, dtype=np.float32), ends)
    down, along = (np.indices(picture.shape).T - (np.array(picture.shape) - 1) / 2).T
    down, along = np.abs(down) / config.px_per_m, along / config.px_per_m
    thick = down <= 0.036
    picture[(np.abs(along) >= 0.655) & thick] = 110.0
    band = (along > 0.60) & (along < 0.63) & thick
    picture[band] = 200.0
    picture[down <= config.barbell.shaft_radius_m] = 180.0
    found = find_shaft_ends(
        picture,
        np.array([0.655, 0.63]),
        np.array([0.02, 0.02]),
        np.zeros(2),
        config.px_per_m,
        spread=np.where(band, np.float32(changed_level), np.float32(0.0)),
    )
    assert found.along_m == pytest.approx([0.655, found_m], abs=0.008)


def test_a_bar_that_was_hardly_seen_keeps_the_ends_as_read(plain: tuple[Frames, Truth]) -> None:
    frames, truth = plain
    table = tracked(truth, (0.02, 0.02))
    table.loc[10:, "image_left_state"] = "partly"
    strips = strips_of(frames, table)
    assert strips.picture() is None
    found = place_ends(table, strips, readings(truth, 0.0), FOCAL_PX, MIDDLE_PX)
    assert np.abs(span_error(found, truth)).max() < 0.003
    assert 0.01 < found["span_rel_sd"].iloc[0] < 0.03
    lost = table.assign(**{f"{end}_{axis}_px": np.nan for end in ENDS for axis in "xy"})
    assert place_ends(lost, strips, None, FOCAL_PX, MIDDLE_PX)["span_rel_sd"].isna().all()


def test_a_bar_at_rest_is_kept_once_and_never_too_many_are() -> None:
    strips = BarStrips(EndsConfig(most=8))
    image = np.zeros((100, 200, 3), dtype=np.uint8)
    row = {f"{end}_{axis}_px": 0.0 for end in ENDS for axis in "xy"}
    row |= {f"{end}_state": "seen" for end in ENDS} | {"image_right_x_px": 150.0, "frame": 0}
    for _ in range(5):
        strips.update(image, row)
    assert len(strips._kept) == 1
    for y_px in np.arange(2.0, 120.0, 2.0):
        strips.update(image, row | {"image_left_y_px": y_px, "image_right_y_px": y_px})
    assert 4 <= len(strips._kept) <= 8
