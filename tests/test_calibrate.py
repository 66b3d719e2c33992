"""The fitted camera against geometry projected independently, point by point."""

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from barpath.errors import BarNotFoundError
from barpath.ground.equipment import POWER_BAR
from barpath.space import barecamera, platecamera
from barpath.space.barecamera import bar_in_picture
from barpath.space.barparts import BarReadings, is_bare
from barpath.space.discs import project_discs, thick_discs
from barpath.space.feetcamera import calibrate_front
from barpath.space.fittedcamera import CalibrationConfig, Level, drawn
from barpath.space.pinhole import (
    SIDE_PARAMETERS,
    disc_centres,
    front_axes,
    front_ends,
    side_geometry,
    side_joint_points,
    side_points,
    world_axes,
)
from barpath.space.platecamera import calibrate_side
from barpath.space.scalecheck import front_systematics, side_systematics
from barpath.space.steadying import steady

WIDTH, HEIGHT = 1280, 720
CENTRE = np.array([(WIDTH - 1) / 2, (HEIGHT - 1) / 2])
FOCAL = 1080.0
THIN = CalibrationConfig(thickness_share=(0.0, 1e-4), outline_inset=0.0, outline_inset_sd=0.0005)
"""For outlines of discs without a thickness, drawn exactly."""


def pinhole(points, focal=FOCAL):
    return points[:, :2] / points[:, 2:] * focal + CENTRE


def press_path(n=60):
    t = np.linspace(0, 2 * np.pi, n)
    return np.column_stack([0.04 * np.cos(t), 0.2 * np.cos(t)])


def side_track(yaw_deg, pitch_deg, roll_deg, distance=2.4, offset=(0.1, 0.15)):
    """Plate table of a press in space, by fitting the outline's projected points."""
    import cv2

    up, across, along = world_axes(*np.deg2rad([yaw_deg, pitch_deg, roll_deg]))
    path = press_path()
    middle = np.array([0, 0, distance]) + offset[0] * along + offset[1] * up
    rows, truth = [], []
    for frame, (x, y) in enumerate(path):
        centre = middle + x * along + y * up
        angle = np.linspace(0, 2 * np.pi, 720, endpoint=False)
        rim = centre + 0.225 * (np.cos(angle)[:, None] * along + np.sin(angle)[:, None] * up)
        (cx, cy), (d1, d2), turn = cv2.fitEllipseDirect(pinhole(rim).astype(np.float32))
        major, minor = max(d1, d2), min(d1, d2)
        turn = turn if d1 >= d2 else turn + 90
        rows.append(
            dict(
                frame=frame,
                time_s=frame / 30,
                x_px=cx,
                y_px=cy,
                major_px=major,
                minor_px=minor,
                angle_deg=(turn + 90) % 180 - 90,
                sd_px=0.1,
                outline_share=1.0,
                state="seen",
            )
        )
        truth.append(centre)
    return pd.DataFrame(rows), np.array(truth), (up, across, along)


@pytest.mark.parametrize(("yaw", "pitch", "roll"), [(0, 0, 0), (3, 4, 1), (-12, 8, -2), (40, 5, 1)])
def test_side_path_is_metric(yaw, pitch, roll):
    track, truth, (up, _, along) = side_track(yaw, pitch, roll)
    config = replace(THIN, focal_px=FOCAL)
    fit = calibrate_side(track, WIDTH, HEIGHT, roll_deg=roll, roll_sd_deg=0.2, config=config)
    found = side_points(fit.params, track[["x_px", "y_px"]].to_numpy(), fit.principal_px)
    wanted = np.column_stack([truth @ along, truth @ up])
    error = (found - found.mean(axis=0)) - (wanted - wanted.mean(axis=0))
    assert np.sqrt((error**2).mean()) < 0.002
    spread = side_systematics(fit, track)
    rom = np.ptp(found[:, 1])
    assert abs(rom - 0.4) < 3 * 0.4 * spread.vertical_rel_sd + 1e-3
    assert 0 < spread.vertical_rel_sd < 0.02


def hull_ellipses(centres, axis, thickness_m, edge_m=0.005):
    """OpenCV's ellipses through what shows of thick plates, points even along the hull."""
    import cv2

    first = np.cross(axis, [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    second = np.cross(axis, first)
    angle = np.linspace(0, 2 * np.pi, 400, endpoint=False)[:, None]
    rim = np.cos(angle) * first + np.sin(angle) * second
    edge_m, half_m = min(edge_m, thickness_m / 2), thickness_m / 2
    circles = ((half_m, 0.225 - edge_m), (half_m - edge_m, 0.225))
    out = []
    for centre in centres:
        faces = [centre + k * at * axis + r * rim for at, r in circles for k in (-1, 1)]
        hull = cv2.convexHull(pinhole(np.concatenate(faces)).astype(np.float32))[:, 0]
        closed = np.vstack([hull, hull[:1]])
        way = np.r_[0.0, np.cumsum(np.hypot(*np.diff(closed, axis=0).T))]
        even = np.linspace(0.0, way[-1], 400, endpoint=False)
        points = np.column_stack([np.interp(even, way, closed[:, k]) for k in range(2)])
        out.append(cv2.fitEllipse(points.astype(np.float32)))
    return out


@pytest.mark.parametrize("yaw", [15, 30, -45, 60, 72])
@pytest.mark.parametrize(("thickness_m", "edge_m"), [(0.025, 0.005), (0.09, 0.0), (0.065, 0.01)])
def test_outline_of_a_thick_plate_against_ellipses_through_its_hull(yaw, thickness_m, edge_m):
    """OpenCV's convex hull and ellipse fit of projected points are the measure."""
    _, across, _ = world_axes(np.deg2rad(yaw), 0.15, 0.0)
    centre = np.array([[0.1, -0.05, 2.8]])
    ((x, y), axes, _) = hull_ellipses(centre, across, thickness_m, edge_m)[0]
    middle, _ = project_discs(centre, across, 0.225, FOCAL)
    shape = thick_discs(centre, across, 0.225, thickness_m, edge_m, FOCAL)[0]
    found = 2 * np.sqrt(np.linalg.eigvalsh(shape))
    assert found == pytest.approx(sorted(axes), rel=0.006)
    assert middle[0] + CENTRE == pytest.approx([x, y], abs=1.6)


def test_an_outline_changes_evenly_with_the_slant():
    """A search by derivatives stops early where what it follows jumps."""
    centre = np.array([[0.5, -0.05, 2.8]])
    axes = [
        np.sqrt(np.linalg.eigvalsh(thick_discs(centre, across, 0.225, 0.05, 0.005, FOCAL)[0]))
        for across in (world_axes(yaw, 0.15, 0.0)[1] for yaw in np.deg2rad(np.arange(50, 52, 0.01)))
    ]
    steps = np.diff(axes, axis=0)
    assert np.abs(np.diff(steps, axis=0)).max() < 0.25 * np.abs(steps[:, 0]).mean()


def test_what_reaches_behind_the_camera_is_no_ellipse_and_stops_nothing():
    """A search for the camera comes by such ones."""
    _, across, _ = world_axes(np.deg2rad(50), 0.15, 0.0)
    centres = np.array([[0.1, -0.05, 2.8], [0.0, 0.0, 0.1], [0.1, -0.05, 2.8]])
    found = thick_discs(centres, across, 0.225, 0.06, 0.005, FOCAL)
    assert np.isfinite(found).all()
    alone = thick_discs(centres[[0, 2]], across, 0.225, 0.06, 0.005, FOCAL)
    assert found[[0, 2]] == pytest.approx(alone)


def seen_bar(yaw_deg, *, far, thickness_m=0.06, noise_px=1.5, seed=3, along_m=(0.716, 0.655, 1.10)):
    """Plate table and readings of a bar that stands at an angle to the camera, and its truth."""
    up, across, along = world_axes(*np.deg2rad([yaw_deg, 9.0, 0.5]))
    rng = np.random.default_rng(seed)
    middle = np.array([0.05, 0.1, 3.1])
    path = np.array([middle + x * along + y * up for x, y in press_path()])
    away = -1.0 if far else 1.0
    plate_m, collar_m, end_m = along_m
    plates = path - away * plate_m * across
    rows = []
    for frame, ((x, y), axes, turn) in enumerate(hull_ellipses(plates, across, thickness_m)):
        turn = turn if axes[0] >= axes[1] else turn + 90
        rows.append(
            dict(frame=frame, time_s=frame / 30, x_px=x, y_px=y, major_px=max(axes),
                 minor_px=min(axes), angle_deg=(turn + 90) % 180 - 90, sd_px=0.1, state="seen")
        )  # fmt: skip
    track = pd.DataFrame(rows)
    points = np.zeros((len(path), 2, 3, 2))
    for end, toward in enumerate((-away, away)):
        for part, half_m in enumerate((plate_m + thickness_m / 2, collar_m, end_m)):
            points[:, end, part] = pinhole(path + toward * half_m * across)
    points += rng.normal(0, noise_px, points.shape)
    spread = np.broadcast_to(4.0 * np.eye(2), (*points.shape, 2))
    readings = BarReadings("left", track[["x_px", "y_px"]].to_numpy(), points, spread)
    return track, readings, (path, up, along)


@pytest.mark.parametrize(("yaw", "far"), [(40, False), (-52, False), (33, True), (-8, False)])
def test_what_is_read_of_the_bar_says_how_it_is_turned(yaw, far):
    """A slanted disc looks alike turned either way, and rounder when it is thick."""
    track, readings, (path, up, along) = seen_bar(yaw, far=far)
    fit = calibrate_side(track, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, bar=[readings])
    error = np.rad2deg(fit.value("yaw")) - yaw
    assert abs(error) < 1.5
    assert abs(error) < 3 * np.rad2deg(fit.sd("yaw"))
    assert (fit.end, fit.far) == ("left", far)
    found = side_points(fit.params, track[["x_px", "y_px"]].to_numpy(), fit.principal_px)
    wanted = np.column_stack([path @ along, path @ up])
    assert np.ptp(found, axis=0) == pytest.approx(np.ptp(wanted, axis=0), rel=0.03)
    assert fit.value("outline_m") == pytest.approx(0.716, abs=0.02)


@pytest.mark.parametrize("thickness_m", [0.03, 0.1])
def test_how_far_both_faces_are_apart_tells_how_thick_the_plates_are(thickness_m):
    """A disc of thickness t whose axis is at an angle a to the sight shows its faces t sin a apart.

    Taken for one of usual thickness, it is taken to stand at another angle. No bar tells it here.
    """
    yaw = -55
    track, *_ = seen_bar(yaw, far=False, thickness_m=thickness_m)
    plate_m, edge_m = 0.45, CalibrationConfig().edge_m
    flat_m = thickness_m - 2 * edge_m
    apart = flat_m / plate_m * np.sin(np.deg2rad(abs(yaw))) * track["major_px"]
    fits = [
        calibrate_side(one, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3)
        for one in (track, track.assign(apart_px=apart))
    ]
    assert fits[1].value("thickness_m") == pytest.approx(thickness_m, abs=0.02)
    assert fits[1].sd("thickness_m") < 0.75 * fits[0].sd("thickness_m")
    unknown = track.assign(apart_px=np.nan)
    same = calibrate_side(unknown, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3)
    assert same.params == pytest.approx(fits[0].params)


def test_a_roll_told_by_few_lines_is_drawn_toward_level():
    """The mean of two normal distributions weighed by their variances (a handbook's)."""
    assert Level().roll_rad(2.0) == (0.0, pytest.approx(np.deg2rad(2.0)))
    sure = Level(roll_deg=3.0, roll_sd_deg=0.2).roll_rad(2.0)
    assert sure == pytest.approx(np.deg2rad((3.0, 0.2)), rel=0.011)
    mean, sd = Level(roll_deg=-4.8, roll_sd_deg=2.0).roll_rad(2.0)
    assert np.rad2deg(mean) == pytest.approx(-2.4)
    assert np.rad2deg(sd) == pytest.approx(np.sqrt(2.0))


def test_an_outline_that_swells_while_the_bar_stands_still_is_trusted_the_less() -> None:
    """The size of an outline wanders by a tenth; bar and place in the picture stay as they are."""
    track, readings, (path, up, _) = seen_bar(-52, far=False)
    swell = 1.0 + 0.1 * np.sin(np.linspace(0.0, 2.5 * np.pi, len(track)))
    swollen = track.assign(major_px=track["major_px"] * swell)
    fit = calibrate_side(swollen, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, bar=[readings])
    assert np.rad2deg(fit.value("yaw")) == pytest.approx(-52, abs=3)
    assert np.isnan(fit.plate_check_mm)
    steadily = calibrate_side(track, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, bar=[readings])
    spread = [side_systematics(one, track).vertical_rel_sd for one in (steadily, fit)]
    assert spread[1] > 1.3 * spread[0]
    height = side_points(fit.params, track[["x_px", "y_px"]].to_numpy(), fit.principal_px)[:, 1]
    off = np.ptp(height) / np.ptp(path @ up) - 1
    assert abs(off) < 2 * spread[1]


def test_an_outline_that_swells_as_the_bar_comes_down_does_not_nod_the_camera() -> None:
    """Scenery behind a plate changes with its height; the pitch is known from elsewhere."""
    track, readings, _ = seen_bar(-8, far=False)
    height = track["y_px"] - track["y_px"].mean()
    swell_px = 2.0 * height / height.abs().max()
    swollen = track.assign(
        major_px=track["major_px"] + swell_px, minor_px=track["minor_px"] + swell_px
    )
    level = dict(roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.35)
    off_deg = []
    for creep_px in (0.0, CalibrationConfig().outline_creep_px):
        config = CalibrationConfig(outline_creep_px=creep_px)
        fit = calibrate_side(swollen, WIDTH, HEIGHT, **level, bar=[readings], config=config)
        off_deg.append(abs(np.rad2deg(fit.value("pitch")) - 9.0))
    assert off_deg[1] < 0.5 < off_deg[0]


def test_an_outline_that_turns_while_the_bar_stands_still_is_trusted_the_less() -> None:
    """The outline's axes stay as long as they are, and sway."""
    track, readings, _ = seen_bar(-52, far=False)
    sway_deg = 12.0 * np.sin(np.linspace(0.0, 9.5 * np.pi, len(track)))
    swaying = track.assign(angle_deg=track["angle_deg"] + sway_deg)
    spread = [
        side_systematics(
            calibrate_side(one, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, bar=[readings]), track
        ).horizontal_rel_sd
        for one in (track, swaying)
    ]
    assert spread[1] > 1.2 * spread[0]


def test_the_less_of_an_outline_shows_the_less_sure_is_how_it_is_turned() -> None:
    track, *_ = seen_bar(40, far=False)
    turn_sd = [
        calibrate_side(track.assign(outline_share=share), WIDTH, HEIGHT).sd("turn_bias")
        for share in (0.9, 0.5, 0.35)
    ]
    assert (np.diff(turn_sd) > 0).all(), turn_sd


def test_no_camera_has_the_plate_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    """By a pinhole's equations what lies behind it is imaged as well, upside down.

    The first search for a camera, and the one that goes on from there turned about, are made to end
    there, with the least cost of all: of the two ways in which the plate may be turned the other is
    taken.
    """
    track, truth, (up, _, _) = side_track(40, 5, 1)
    n_searches = search_astray(monkeypatch, 2)
    fit = calibrate_side(track, WIDTH, HEIGHT, roll_deg=1, roll_sd_deg=0.2, config=THIN)
    found = side_points(fit.params, track[["x_px", "y_px"]].to_numpy(), fit.principal_px)
    assert len(n_searches) == 3
    assert np.corrcoef(found[:, 1], truth @ up)[0, 1] > 0.99


def test_a_search_that_ends_with_the_plate_behind_goes_on_turned_about(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    track, *_ = side_track(40, 5, 1)
    known = {"roll_deg": 1, "roll_sd_deg": 0.2, "config": THIN}
    plain = calibrate_side(track, WIDTH, HEIGHT, **known)
    n_searches = search_astray(monkeypatch, 1)
    turned = calibrate_side(track, WIDTH, HEIGHT, **known)
    assert len(n_searches) == 3
    np.testing.assert_allclose(turned.params, plain.params, atol=2e-3)


def search_astray(monkeypatch: pytest.MonkeyPatch, n_astray: int) -> list[Any]:
    """Make the first so many searches for a camera end half a turn off; the list of all of them."""
    search, searches = platecamera.least_squares, []

    def astray(*args: Any, **kwargs: Any) -> Any:
        found = search(*args, **kwargs)
        searches.append(found)
        if len(searches) <= n_astray:
            found.x[0] += np.pi
            found.cost = 0.0
        return found

    monkeypatch.setattr(platecamera, "least_squares", astray)
    return searches


def test_the_end_on_which_the_plate_is_may_be_told_by_what_fits():
    track, readings, _ = seen_bar(45, far=False)
    swapped = replace(
        readings,
        end="right",
        points_px=readings.points_px[:, ::-1],
        covariance_px2=readings.covariance_px2[:, ::-1],
    )
    fit = calibrate_side(track, WIDTH, HEIGHT, bar=[swapped, readings])
    assert fit.end == "left"


def test_the_less_of_an_outline_shows_the_less_sure_is_the_scale():
    track, *_ = side_track(0, 0, 0)
    shares = [0.9, 0.6, 0.51, 0.49, 0.4, 0.3, 0.2]
    spread = [
        side_systematics(calibrate_side(one, WIDTH, HEIGHT), one).vertical_rel_sd
        for one in (track.assign(outline_share=share) for share in shares)
    ]
    assert (np.diff(spread) > 0).all()
    # Half a rim is no edge at which all is lost: what a hundredth less shows is little.
    assert spread[3] < 2.0 * spread[2]
    assert spread[0] < 0.02 and spread[-1] > 0.15


@pytest.mark.parametrize("given_mm", [506.0, 540.0, 380.0])
def test_a_plate_little_unlike_the_given_one_is_kept_and_stated_widely(given_mm: float) -> None:
    """A bar seen at a slant is misread by as much as discs of like size differ."""
    track, readings, _ = seen_bar(40, far=False)
    config = CalibrationConfig(plate_mm=given_mm, largest_plate_mm=600.0)
    fit = calibrate_side(track, WIDTH, HEIGHT, bar=[readings], config=config)
    assert fit.plate_check_mm == pytest.approx(450, rel=0.03)
    assert 1000 * fit.value("log_plate") == pytest.approx(given_mm, rel=0.02)
    # Half of the cameras drawn are as the bar tells, so that an interval just reaches as far.
    assert abs(given_mm - 450) < 2.2 * 1000 * fit.sd("log_plate")


@pytest.mark.parametrize(("arms_m", "another"), [(0.46, True), (1.1, False), (np.nan, True)])
def test_the_arms_have_a_say_on_which_plate_was_followed(arms_m: float, another: bool) -> None:
    """A bar, badly seen, says 450 mm where 280 was given; arms of 0.46 m agree, of 1.1 m do not."""
    track, readings, _ = seen_bar(40, far=False)
    px_per_m = track["major_px"].median() / 0.45
    badly = 200 * readings.covariance_px2
    readings = replace(readings, covariance_px2=badly, reach_px=arms_m * px_per_m)
    config = CalibrationConfig(plate_mm=280.0)
    fit = calibrate_side(track, WIDTH, HEIGHT, bar=[readings], config=config)
    assert np.isfinite(fit.plate_check_mm) == another
    if another:
        assert fit.plate_check_mm == pytest.approx(450, rel=0.08)


def test_arms_before_a_plate_at_the_far_end_say_nothing_of_it() -> None:
    """They are nearer to the camera than the plate, and look the larger beside it."""
    track, readings, _ = seen_bar(33, far=True)
    px_per_m = track["major_px"].median() / 0.45
    readings = replace(readings, covariance_px2=200 * readings.covariance_px2)
    config = CalibrationConfig(plate_mm=280.0)
    said = []
    for arms_m in (np.nan, 1.1):
        one = replace(readings, reach_px=arms_m * px_per_m)
        said.append(calibrate_side(track, WIDTH, HEIGHT, bar=[one], config=config).plate_check_mm)
    assert said[0] == pytest.approx(said[1], nan_ok=True)


def test_a_bar_misread_all_over_says_less_of_the_plate() -> None:
    """A bar read shorter than it is by as much, with and without errors of its own besides."""
    track, readings, _ = seen_bar(40, far=False)
    config = CalibrationConfig(plate_mm=380.0)
    assert np.isfinite(
        calibrate_side(track, WIDTH, HEIGHT, bar=[readings], config=config).plate_check_mm
    )
    rng = np.random.default_rng(5)
    part = rng.normal(0.0, 40.0, (1, *readings.points_px.shape[1:]))
    astray = replace(readings, points_px=readings.points_px + part)
    fit = calibrate_side(track, WIDTH, HEIGHT, bar=[astray], config=config)
    assert np.isnan(fit.plate_check_mm)


def test_no_plate_is_larger_than_the_largest_disc() -> None:
    """A bar read as if the plate were 660 mm across was misread (rule book: 450 mm at most)."""
    track, readings, _ = seen_bar(40, far=False)
    middle = readings.points_px.mean(axis=(1, 2), keepdims=True)
    shrunk = replace(readings, points_px=middle + (readings.points_px - middle) * 0.68)
    fit = calibrate_side(track, WIDTH, HEIGHT, bar=[shrunk])
    assert np.isnan(fit.plate_check_mm)
    assert fit.value("log_plate") == pytest.approx(0.45, rel=0.01)


def test_a_bar_that_wants_too_small_a_plate_is_left_out() -> None:
    """A bar read as if a plate of 450 mm were 257 mm across; no plates so small were about."""
    track, readings, _ = seen_bar(40, far=False)
    middle = readings.points_px.mean(axis=(1, 2), keepdims=True)
    grown = replace(readings, points_px=middle + (readings.points_px - middle) * 2)
    believed = calibrate_side(track, WIDTH, HEIGHT, bar=[grown])
    assert believed.plate_check_mm == pytest.approx(257, rel=0.1)
    config = CalibrationConfig(smallest_plate_mm=300.0)
    fit = calibrate_side(track, WIDTH, HEIGHT, bar=[grown], config=config)
    assert not fit.end
    assert np.isnan(fit.plate_check_mm)
    assert fit.value("log_plate") == pytest.approx(0.45, rel=0.01)


@pytest.mark.parametrize(("arms_m", "believed"), [(0.48, False), (1.2, True)])
def test_a_hub_is_told_by_arms_that_would_be_too_long(arms_m: float, believed: bool) -> None:
    """Nobody's shoulder is 1.2 m below the hand (arms with hands: 0.7 to 0.9 m; from memory)."""
    track, readings, _ = seen_bar(40, far=False)
    middle = readings.points_px.mean(axis=(1, 2), keepdims=True)
    reach_px = float(track["major_px"].median()) / 0.45 * arms_m
    points_px = middle + (readings.points_px - middle) * 2
    grown = replace(readings, points_px=points_px, reach_px=reach_px)
    config = CalibrationConfig(smallest_plate_mm=300.0)
    fit = calibrate_side(track, WIDTH, HEIGHT, bar=[grown], config=config)
    assert np.isfinite(fit.plate_check_mm) == believed


def test_unknown_focal_and_roll_are_carried_in_the_uncertainty():
    track, truth, (up, _, along) = side_track(0, 3, 1.5)
    fit = calibrate_side(track, WIDTH, HEIGHT)
    spread = side_systematics(fit, track)
    found = side_points(fit.params, track[["x_px", "y_px"]].to_numpy(), fit.principal_px)
    wanted = np.column_stack([truth @ along, truth @ up])
    drift_error = (
        np.polyfit(found[:, 1], found[:, 0], 1)[0] - np.polyfit(wanted[:, 1], wanted[:, 0], 1)[0]
    )
    assert spread.tilt_sd_deg > 1.0
    assert abs(np.rad2deg(drift_error)) < 2 * spread.tilt_sd_deg


def test_joint_behind_the_plate_reads_short_without_depth():
    """An arm 0.3 m behind a plate 3 m away is 10 % smaller in the picture: similar triangles."""
    track, _, (up, _, _) = side_track(0, 0, 0, distance=3.0)
    fit = calibrate_side(
        track,
        WIDTH,
        HEIGHT,
        roll_deg=0,
        roll_sd_deg=0.1,
        config=replace(THIN, focal_px=FOCAL, focal_rel_sd=0.001),
    )
    shoulder = np.array([0, 0, 3.3]) - 0.1 * up
    elbow = shoulder - 0.3 * up
    seen = pinhole(np.array([shoulder, elbow]))
    flat = side_joint_points(fit.params, seen, fit.principal_px, 0.0)
    deep = side_joint_points(fit.params, seen, fit.principal_px, 0.3)
    assert np.linalg.norm(flat[0] - flat[1]) == pytest.approx(0.3 * 3.0 / 3.3, rel=0.005)
    assert np.linalg.norm(deep[0] - deep[1]) == pytest.approx(0.3, rel=0.005)


def test_disc_projection_against_projected_points():
    import cv2

    up, across, along = world_axes(*np.deg2rad([35, 10, 3]))
    centre = np.array([0.3, -0.2, 2.0])
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    rim = centre + 0.2 * (np.cos(angle)[:, None] * along + np.sin(angle)[:, None] * up)
    (cx, cy), _, _ = cv2.fitEllipseDirect((pinhole(rim) - CENTRE).astype(np.float32))
    found, _ = project_discs(centre[None], across, 0.2, FOCAL)
    assert np.allclose(found[0], (cx, cy), atol=0.02)
    disc_centre = pinhole(centre[None])[0] - CENTRE
    assert np.linalg.norm(found[0] - disc_centre) > 0.3


def front_track(yaw_deg, pitch_deg, roll_deg, distance=3.0, gap=1.372, plate=0.45):
    up, across, along = front_axes(*np.deg2rad([yaw_deg, pitch_deg, roll_deg]))
    t = np.linspace(0, 2 * np.pi, 40)
    rows, truth = [], []
    for frame, angle in enumerate(t):
        middle = (
            np.array([0, 0.1, distance])
            + 0.2 * np.cos(angle) * up
            + 0.2 * 0.12 * np.cos(angle) * along
        )
        ends = np.array([middle - gap / 2 * across, middle + gap / 2 * across])
        px = pinhole(ends)
        high = FOCAL * plate / ends[:, 2]
        rows.append(
            dict(
                frame=frame,
                time_s=frame / 30,
                image_left_x_px=px[0, 0],
                image_left_y_px=px[0, 1],
                image_right_x_px=px[1, 0],
                image_right_y_px=px[1, 1],
                image_left_plate_px=high[0],
                image_right_plate_px=high[1],
                span_rel_sd=0.003,
            )
        )
        truth.append(middle @ up)
    return pd.DataFrame(rows), np.array(truth)


def test_a_plate_that_stood_out_where_the_bar_rests_only_turns_the_bar_little():
    """Squarely from the feet, the camera level; one plate is taken for an eighth too high there."""
    track, _ = front_track(0, 2, 0)
    y_px = track["image_left_y_px"]
    rests = y_px < y_px.min() + 0.15 * np.ptp(y_px)
    options = dict(roll_deg=0.0, roll_sd_deg=0.3, pitch_deg=2.0, pitch_sd_deg=0.4)
    config = CalibrationConfig(focal_px=FOCAL, focal_rel_sd=0.02)
    turns = []
    for seen in (rests, y_px > -np.inf):
        wrong = track.copy()
        wrong["image_left_plate_px"] = np.where(seen, 1.12 * track["image_left_plate_px"], np.nan)
        wrong.loc[~seen, "image_right_plate_px"] = np.nan
        fit = calibrate_front(wrong, WIDTH, HEIGHT, **options, config=config)
        turns.append((np.rad2deg(abs(fit.value("yaw"))), np.rad2deg(fit.sd("yaw"))))
    (once, once_sd), (always, _) = turns
    assert once < 0.5 * always
    assert once < 2.0 * once_sd
    # By hand: 12 % of 3 m over the 1.37 m between the plates would be 15 degrees.
    assert always > 8.0


@pytest.mark.parametrize(
    ("yaw", "pitch", "roll"), [(0, 0, 0), (0, 20, 0), (6, 15, 1), (-5, -5, -1)]
)
def test_front_heights_and_gap_are_metric(yaw, pitch, roll):
    track, truth = front_track(yaw, pitch, roll)
    config = CalibrationConfig(focal_px=FOCAL)
    fit = calibrate_front(track, WIDTH, HEIGHT, config=config)
    left_px = track[["image_left_x_px", "image_left_y_px"]].to_numpy()
    right_px = track[["image_right_x_px", "image_right_y_px"]].to_numpy()
    left, right = front_ends(fit.params, left_px, right_px, fit.principal_px)
    height = (left[:, 1] + right[:, 1]) / 2
    spread = front_systematics(fit, track)
    assert np.ptp(height) == pytest.approx(np.ptp(truth), rel=max(3 * spread.vertical_rel_sd, 0.01))
    assert spread.horizontal_rel_sd < 0.01
    # What is said of the ends' distance replaces what is assumed of it where nothing is said.
    for other in (track.drop(columns="span_rel_sd"), track.assign(span_rel_sd=0.02)):
        wider = calibrate_front(other, WIDTH, HEIGHT, config=config)
        assert 0.012 < front_systematics(wider, other).horizontal_rel_sd < 0.024
    assert fit.plate_check_mm == pytest.approx(450, rel=0.04)


def test_small_plates_show_in_the_plate_check():
    track, _ = front_track(0, 10, 0, plate=0.32)
    fit = calibrate_front(track, WIDTH, HEIGHT)
    assert fit.plate_check_mm == pytest.approx(320, rel=0.05)


def test_what_stands_behind_a_small_plate_does_not_turn_the_camera():
    track, truth = front_track(0, 15, 0, plate=0.28)
    # At one end a rack's upright is taken for the plate.
    track["image_left_plate_px"] *= 1.7
    config = CalibrationConfig(focal_px=FOCAL, plate_mm=280)
    level = {"roll_deg": 0, "roll_sd_deg": 0.3, "pitch_deg": 15, "pitch_sd_deg": 0.5}
    fit = calibrate_front(track, WIDTH, HEIGHT, **level, config=config)
    assert abs(np.rad2deg(fit.value("yaw"))) < 1.0
    ends = ("image_left", "image_right")
    at_px = [track[[f"{end}_x_px", f"{end}_y_px"]].to_numpy() for end in ends]
    left, right = front_ends(fit.params, *at_px, fit.principal_px)
    assert np.ptp((left + right)[:, 1] / 2) == pytest.approx(np.ptp(truth), rel=0.01)


def test_too_few_ellipses_is_one_clear_error():
    track, *_ = side_track(0, 0, 0)
    track["state"] = "lost"
    track.loc[:, ["x_px", "y_px", "major_px", "minor_px", "angle_deg"]] = np.nan
    with pytest.raises(BarNotFoundError, match="too few frames"):
        calibrate_side(track, WIDTH, HEIGHT)


def test_steady_moves_points_and_turns_ellipses():
    turn = np.deg2rad(10)
    camera = pd.DataFrame(
        dict(
            frame=[0],
            m00=1.1 * np.cos(turn),
            m01=-1.1 * np.sin(turn),
            m02=5.0,
            m10=1.1 * np.sin(turn),
            m11=1.1 * np.cos(turn),
            m12=-3.0,
        )
    )
    track = pd.DataFrame(
        dict(
            frame=[0], x_px=[10.0], y_px=[20.0], major_px=[100.0], minor_px=[60.0], angle_deg=[85.0]
        )
    )
    moved = steady(track, camera, [""])
    assert moved.loc[0, "major_px"] == pytest.approx(110)
    assert moved.loc[0, "angle_deg"] == pytest.approx(-85)
    expected = 1.1 * (10 * np.cos(turn) - 20 * np.sin(turn)) + 5
    assert moved.loc[0, "x_px"] == pytest.approx(expected)


def without_plates(track, readings, path):
    """What `seen_bar` gives of a bar without plates: its middle in the picture, table, readings."""
    middle = pinhole(path)
    bare = track.assign(x_px=middle[:, 0], y_px=middle[:, 1])
    bare[["major_px", "minor_px", "angle_deg"]] = np.nan
    points = readings.points_px.copy()
    points[:, :, 0] = np.nan
    return middle, bare, replace(readings, ellipse_px=middle, points_px=points)


@pytest.mark.parametrize("yaw", [35, -50])
def test_a_bar_without_plates_is_its_own_ruler(yaw):
    track, readings, (path, up, along) = seen_bar(yaw, far=False)
    middle, bare, parts = without_plates(track, readings, path)
    assert is_bare(bare)
    assert not is_bare(track)
    fit = calibrate_side(
        bare, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5,
        view="oblique", bar=[parts],
    )  # fmt: skip
    assert np.rad2deg(fit.value("yaw")) == pytest.approx(yaw, abs=6.0)
    found = side_points(fit.params, middle, fit.principal_px)
    wanted = np.column_stack([path @ along, path @ up])
    share = side_systematics(fit, bare).vertical_rel_sd
    assert 0.005 < share < 0.15
    assert np.ptp(found[:, 1]) == pytest.approx(np.ptp(wanted[:, 1]), rel=3 * share)


@pytest.mark.parametrize("focal_share", [0.88, 1.12])
def test_a_sleeve_s_end_gives_the_scale_whatever_the_focal_length(focal_share):
    """Seen along the bar its lengths hang on the focal length; the sleeve's diameter does not."""
    track, readings, (path, up, along) = seen_bar(6, far=False, noise_px=0.5)
    _, bare, parts = without_plates(track, readings, path)
    across = np.cross(up, along)
    across *= np.sign(across[2])
    ends = path - POWER_BAR.end_m * across
    places = pinhole(ends)
    depth = np.median(ends[:, 2])
    at_end = bare.assign(
        x_px=places[:, 0],
        y_px=places[:, 1],
        sleeve_px=FOCAL * 2 * POWER_BAR.sleeve_radius_m / depth,
        sleeve_rel_sd=0.012,
        hands_share=depth / np.median(path[:, 2]),
        sleeve_measured=True,
    )
    config = CalibrationConfig(focal_px=focal_share * FOCAL)
    fit = calibrate_side(
        at_end, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5,
        bar=[replace(parts, ellipse_px=places)], config=config,
    )  # fmt: skip
    rise = np.ptp(side_points(fit.params, places, fit.principal_px)[:, 1])
    assert rise == pytest.approx(np.ptp(path @ up), rel=0.015)
    assert side_systematics(fit, at_end).vertical_rel_sd < 0.025
    assert (fit.end, fit.far) == ("left", False)
    assert "Sleeve" in fit.scale_source
    # By the hands alone the same readings leave the scale open.
    hands = bare.assign(x_px=pinhole(path)[:, 0], y_px=pinhole(path)[:, 1])
    open_fit = calibrate_side(
        hands, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5,
        bar=[parts], config=config,
    )  # fmt: skip
    assert side_systematics(open_fit, hands).vertical_rel_sd > 0.05
    assert open_fit.end == "middle"


def with_thick_sleeves(bare, path, across, rel_sd=0.015):
    """A table with how thick both sleeves look, as OpenCV projects their sides."""
    import cv2

    camera = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1]])
    out = bare
    for name, along_m in (("near", -0.9), ("far", 0.87)):
        places = path + along_m * across
        side = np.cross(places, across)
        side *= POWER_BAR.sleeve_radius_m / np.linalg.norm(side, axis=1)[:, None]
        axis, one, other = (
            cv2.projectPoints(points, np.zeros(3), np.zeros(3), camera, None)[0][:, 0]
            for points in (places, places + side, places - side)
        )
        told = {
            f"{name}_sleeve_x_px": axis[:, 0],
            f"{name}_sleeve_y_px": axis[:, 1],
            f"{name}_sleeve_px": np.hypot(*(one - other).T),
        }
        # In some frames it was not measured.
        told = {
            key: np.where(np.arange(len(path)) % 3, values, np.nan) for key, values in told.items()
        }
        out = out.assign(**told, **{f"{name}_sleeve_rel_sd": rel_sd})
    return out


def test_uncertainty_hardly_moves_with_a_last_digit():
    """Of all that was not read the variances are alike, and roots by eigenvectors turn freely."""
    rng = np.random.default_rng(3)
    jacobian = np.vstack([np.eye(12), rng.normal(size=(30, 12)) * (np.arange(12) < 4)])
    moved = jacobian * (1.0 + 1e-12 * rng.normal(size=jacobian.shape))
    one, other = (drawn(np.zeros(12), each, CalibrationConfig()) for each in (jacobian, moved))
    assert np.abs(other - one).max() < 1e-9


@pytest.mark.parametrize("focal_share", [0.88, pytest.param(1.0, marks=pytest.mark.slow), 1.12])
@pytest.mark.parametrize("yaw", [38, -54])
def test_how_thick_both_sleeves_look_gives_the_scale_at_an_angle(yaw, focal_share):
    """Whatever the focal length is taken for, and wherever the hands hold the bar."""
    track, readings, (path, up, along) = seen_bar(yaw, far=False)
    _, bare, parts = without_plates(track, readings, path)
    across = np.cross(up, along)
    across *= np.sign(across[2])
    # Both hands held 2 cm nearer than evenly.
    hands = pinhole(path - 0.02 * across)
    bare = bare.assign(x_px=hands[:, 0], y_px=hands[:, 1])
    told = with_thick_sleeves(bare, path, across)
    fits = [
        calibrate_side(
            one, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5,
            view="oblique", bar=[replace(parts, ellipse_px=hands)],
            config=CalibrationConfig(focal_px=focal_share * FOCAL),
        )
        for one in (bare, told)
    ]  # fmt: skip
    shares = [side_systematics(fit, bare).vertical_rel_sd for fit in fits]
    assert shares[1] < 0.6 * shares[0]
    rise = np.ptp(side_points(fits[1].params, hands, fits[1].principal_px)[:, 1])
    assert rise == pytest.approx(np.ptp(path @ up), rel=min(2.0 * shares[1], 0.03))
    assert "how thick they look" in fits[1].scale_source


def test_a_bar_behind_the_camera_is_no_fit(monkeypatch):
    """It would look the same, its ends the other way round."""
    track, readings, (path, *_) = seen_bar(40, far=False)
    middle, bare, parts = without_plates(track, readings, path)
    options = dict(roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5, view="oblique")
    fitted = barecamera.least_squares

    def all_behind(*args, **kwargs):
        found = fitted(*args, **kwargs)
        geometry = side_geometry(found.x[: len(SIDE_PARAMETERS)])
        in_front = disc_centres(geometry, middle, CENTRE)[:, 2].min() > 0
        found.x[0] += np.pi * in_front
        return found

    monkeypatch.setattr(barecamera, "least_squares", all_behind)
    with pytest.raises(BarNotFoundError, match="No camera before which"):
        calibrate_side(bare, WIDTH, HEIGHT, **options, bar=[parts])


def test_where_a_bar_lies_in_the_picture_is_where_opencv_projects_it():
    track, readings, (path, up, along) = seen_bar(40, far=False, noise_px=0.1)
    middle, bare, parts = without_plates(track, readings, path)
    across = np.cross(up, along)
    across *= np.sign(across[2])
    told = with_thick_sleeves(bare, path, across, rel_sd=0.002)
    fit = calibrate_side(
        told, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.1, pitch_deg=9.0, pitch_sd_deg=0.1,
        view="oblique", bar=[parts], config=CalibrationConfig(focal_px=FOCAL, focal_rel_sd=0.002),
    )  # fmt: skip
    axis, beside = bar_in_picture(fit, middle, np.array([-0.9, 0.0, 0.87]))
    assert axis.shape == beside.shape == (len(path), 3, 2)
    for k, name in ((0, "near"), (2, "far")):
        rows = told[f"{name}_sleeve_px"].notna().to_numpy()
        places = told.loc[rows, [f"{name}_sleeve_x_px", f"{name}_sleeve_y_px"]].to_numpy()
        assert np.abs(axis[rows, k] - places).max() < 4.0
        seen_px = np.hypot(*beside[rows, k].T) * 2 * POWER_BAR.sleeve_radius_m
        assert seen_px == pytest.approx(told.loc[rows, f"{name}_sleeve_px"].to_numpy(), rel=0.01)


def test_misread_ends_of_a_bare_bar_do_not_move_its_middle_and_leave_the_scale_open():
    """Either end seems to move as if the camera were much closer."""
    track, readings, (path, *_) = seen_bar(5, far=False)
    middle, bare, parts = without_plates(track, readings, path)
    options = dict(roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5)
    points = parts.points_px.copy()
    moved = middle - np.median(middle, axis=0)
    points[:, 0] += 0.1 * moved[:, None]
    points[:, 1] -= 0.2 * moved[:, None]
    fits = [
        calibrate_side(bare, WIDTH, HEIGHT, **options, bar=[replace(parts, points_px=one)])
        for one in (parts.points_px, points)
    ]
    right, wrong = (side_systematics(fit, bare).vertical_rel_sd for fit in fits)
    assert wrong > 1.5 * right
    # Hands lie about the bar's middle, whatever the readings say.
    config = CalibrationConfig()
    grip_m, grip_sd_m = config.bare_hands_m
    nearer_m = grip_m**2 / np.median(path[:, 2])
    sd_m = np.hypot(config.bare_uneven_m, 2 * nearer_m * grip_sd_m / grip_m)
    assert abs(fits[1].value("outline_m") - nearer_m) < 3.0 * sd_m


@pytest.mark.parametrize("yaw", [35, -50])
def test_the_middle_of_both_hands_in_the_picture_is_nearer_than_the_bar_s(yaw):
    """By hand: points g to both sides of a place at depth z show their middle as if it were nearer
    by g^2 c / z, with c the cosine between bar and line of sight."""
    track, readings, (path, up, along) = seen_bar(yaw, far=False)
    _, bare, parts = without_plates(track, readings, path)
    across = np.cross(up, along)
    across *= np.sign(across[2])
    hands = (pinhole(path - 0.35 * across) + pinhole(path + 0.35 * across)) / 2
    bare = bare.assign(x_px=hands[:, 0], y_px=hands[:, 1])
    fit = calibrate_side(
        bare, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5,
        view="oblique", bar=[replace(parts, ellipse_px=hands)],
        config=CalibrationConfig(bare_inward_share=0.0),
    )  # fmt: skip
    nearer_m = 0.35**2 * across[2] / np.median(path[:, 2])
    assert nearer_m > 0.02
    assert fit.value("outline_m") == pytest.approx(nearer_m, abs=0.006)
    rise = np.ptp(side_points(fit.params, hands, fit.principal_px)[:, 1])
    assert rise == pytest.approx(np.ptp(path @ up), rel=0.02)


def test_parts_of_a_bare_bar_read_toward_its_middle_do_not_lengthen_the_lift():
    """A bar that looks shorter seems farther away, and what moves there to move farther."""
    track, readings, (path, up, _) = seen_bar(35, far=False)
    middle, bare, parts = without_plates(track, readings, path)
    spread_px = 8.0
    inward = parts.points_px[:, ::-1] - parts.points_px
    inward /= np.linalg.norm(inward, axis=-1, keepdims=True)
    read = replace(
        parts,
        points_px=parts.points_px + 0.5 * spread_px * inward,
        covariance_px2=np.broadcast_to(spread_px**2 * np.eye(2), parts.covariance_px2.shape),
    )
    rises = []
    for share in (0.0, 0.5):
        fit = calibrate_side(
            bare, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5,
            view="oblique", bar=[read], config=CalibrationConfig(bare_inward_share=share),
        )  # fmt: skip
        found = side_points(fit.params, middle, fit.principal_px)
        rises.append(np.ptp(found[:, 1]) / np.ptp(path @ up))
    assert rises[0] > rises[1] + 0.01


def test_arms_have_a_say_in_the_scale_of_a_bare_bar():
    track, readings, (path, *_) = seen_bar(5, far=False)
    _, bare, parts = without_plates(track, readings, path)
    options = dict(roll_deg=0.5, roll_sd_deg=0.3, pitch_deg=9.0, pitch_sd_deg=0.5)
    depth = np.median(path[:, 2])
    scales, spreads = [], []
    for reach_m in (np.nan, 0.40, 0.55):
        one = replace(parts, reach_px=FOCAL * reach_m / depth)
        fit = calibrate_side(bare, WIDTH, HEIGHT, **options, bar=[one])
        scales.append(fit.value("log_distance") / fit.value("log_focal"))
        spreads.append(side_systematics(fit, bare).vertical_rel_sd)
    assert scales[1] > scales[2]
    # A wide observation: arms longer by three eighths make lengths smaller by much less.
    assert scales[1] / scales[2] < 1.2
    assert max(spreads[1:]) < spreads[0]


def test_a_bar_whose_parts_are_not_read_gives_no_scale():
    track, *_ = side_track(0, 0, 0)
    track[["major_px", "minor_px", "angle_deg"]] = np.nan
    with pytest.raises(BarNotFoundError, match="ends"):
        calibrate_side(track, WIDTH, HEIGHT)


@pytest.mark.parametrize("yaw", [40, 4])
def test_a_plate_that_is_not_the_one_given_does_not_set_the_scale(yaw):
    """A plate of 450 mm given as 280 mm, and the bar beside it."""
    track, readings, _ = seen_bar(yaw, far=False)
    given = [CalibrationConfig(plate_mm=mm) for mm in (450.0, 280.0)]
    right, wrong = (
        calibrate_side(
            track, WIDTH, HEIGHT, roll_deg=0.5, roll_sd_deg=0.3, bar=[readings], config=c
        )
        for c in given
    )
    assert np.isnan(right.plate_check_mm)
    assert wrong.plate_check_mm == pytest.approx(450.0, rel=0.25)
    places = track[["x_px", "y_px"]].to_numpy()
    reach = [np.ptp(side_points(f.params, places, CENTRE)[:, 1]) for f in (right, wrong)]
    share = side_systematics(wrong, track).vertical_rel_sd
    assert share > 2 * side_systematics(right, track).vertical_rel_sd
    assert reach[1] == pytest.approx(reach[0], rel=3 * share)
