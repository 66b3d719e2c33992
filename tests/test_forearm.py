"""Forearms drawn in front of this and that, found by their two edges."""

import cv2
import numpy as np
import pytest

from barpath.forearm import ForearmConfig, find_forearm

PX_PER_M = 250.0
HAND_PX = np.array([200.0, 60.0])
SKIN = (190, 140, 115)


def drawn(lean_deg: float, *, length_m=0.34, upright=False, floor=90, sleeve=None, seed=1):
    """A hand and a forearm hanging from a bar; the picture, its true direction and its end."""
    rng = np.random.default_rng(seed)
    big = 4
    picture = np.full((280 * big, 400 * big, 3), floor, np.uint8)
    picture[150 * big :] = floor + 25
    if upright:
        cv2.rectangle(picture, (222 * big, 0), (242 * big, 280 * big), (175, 40, 40), -1)
    lean = np.deg2rad(lean_deg)
    down = np.array([np.sin(lean), np.cos(lean)])
    aside = np.array([down[1], -down[0]])
    wrist = HAND_PX + np.array([0.0, 0.08 * PX_PER_M])

    def outline(begin_m, end_m):
        along = np.array([begin_m, end_m])
        half = np.interp(along, [0.0, 0.26], [0.026, 0.042])
        sides = [
            wrist + PX_PER_M * (a * down + sign * h * aside)
            for sign, order in ((1, (0, 1)), (-1, (1, 0)))
            for a, h in ((along[k], half[k]) for k in order)
        ]
        return [np.round(np.array(sides) * big).astype(np.int32)]

    end_m = length_m - 0.08
    cv2.fillPoly(picture, outline(0.0, end_m), SKIN)
    if sleeve is not None:
        cv2.fillPoly(picture, outline(0.04, end_m), sleeve)
    at = tuple(np.round(HAND_PX * big + [0, 8 * big]).astype(int).tolist())
    cv2.ellipse(picture, at, (9 * big, 16 * big), 0, 0, 360, SKIN, -1)
    cv2.rectangle(picture, (0, 57 * big), (400 * big, 63 * big), (200, 200, 205), -1)
    small = cv2.resize(picture, (400, 280), interpolation=cv2.INTER_AREA).astype(float)
    small += rng.normal(0, 3, small.shape)
    return np.clip(small, 0, 255).astype(np.uint8), down, wrist + PX_PER_M * end_m * down


def found(picture, **keywords):
    return find_forearm(picture, HAND_PX, np.array([1.0, 0.0]), PX_PER_M, **keywords)


@pytest.mark.parametrize("lean_deg", [-30.0, -8.0, 0.0, 12.0, 28.0])
@pytest.mark.parametrize("upright", [False, True])
def test_lean_within_two_degrees(lean_deg, upright):
    picture, down, _ = drawn(lean_deg, upright=upright)
    axis = found(picture)
    got = (axis.lower_px - axis.upper_px) / np.linalg.norm(axis.lower_px - axis.upper_px)
    assert abs(np.degrees(np.arcsin(np.cross(got, down)))) < 2.0


def test_left_and_right_are_each_others_mirror_image():
    picture, _, _ = drawn(15.0)
    here = found(picture)
    hand = np.array([picture.shape[1] - 1 - HAND_PX[0], HAND_PX[1]])
    there = find_forearm(
        np.ascontiguousarray(picture[:, ::-1]), hand, np.array([-1.0, 0.0]), PX_PER_M
    )
    mirrored = [picture.shape[1] - 1, 0] - there.lower_px * [1, -1]
    assert mirrored == pytest.approx(here.lower_px, abs=0.6)


def test_a_sleeve_has_edges_too():
    picture, down, _ = drawn(10.0, sleeve=(30, 30, 120))
    axis = found(picture)
    got = (axis.lower_px - axis.upper_px) / np.linalg.norm(axis.lower_px - axis.upper_px)
    assert abs(np.degrees(np.arcsin(np.cross(got, down)))) < 2.0


def test_the_end_of_the_arm_is_where_its_colour_ends():
    picture, _, end = drawn(10.0, length_m=0.38)
    axis = found(picture)
    assert np.linalg.norm(axis.tip_px - end) / PX_PER_M < 0.012


def test_nothing_like_a_forearm_is_none():
    plain = np.full((280, 400, 3), 120, np.uint8)
    assert found(plain) is None
    noise = np.random.default_rng(3).integers(0, 255, (280, 400, 3)).astype(np.uint8)
    assert found(noise) is None
    picture, _, _ = drawn(0.0)
    assert found(picture, wrist_m=float("nan")) is None
    away = find_forearm(picture, np.array([900.0, 900.0]), np.array([1.0, 0.0]), PX_PER_M)
    assert away is None


def test_settings_decide_what_is_believed():
    picture, _, _ = drawn(5.0)
    assert found(picture, config=ForearmConfig(least_score=2.5)) is None
