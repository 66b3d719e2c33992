"""The bar's way along the bench, against a way that is known."""

import numpy as np
import pytest

from barpath.space.alongbench import along_bench

BAR_M, FOCAL_PX, HERE_M = 1.4, 900.0, 3.2


def pressed(rate_hz=30.0, seconds=8.0):
    """Two presses with a rest on the chest: times (n,), and along, height and across, (n,) each.

    The bar goes 0.22 m toward the head in 0.30 m up, along another way up than down, and 3 mm to
    the side.
    """
    time = np.arange(0, seconds, 1 / rate_hz)
    phase = time % 4.0
    down = np.clip((phase - 0.5) / 1.0, 0, 1)
    up = np.clip((phase - 2.0) / 1.2, 0, 1)

    def eased(s):
        return s**3 * (10 - 15 * s + 6 * s**2)

    height = -0.30 * (eased(down) - eased(up))
    along = HERE_M - 0.22 * (eased(down) - eased(up) ** 0.8)
    return time, along, height - 0.6, 0.003 * np.sin(time)


def seen(along, height, across, left_off_px, right_off_px):
    """Both ends in metres as each frame's distance between them tells, (n, 3) each."""
    left = (across - BAR_M / 2) / along + left_off_px / FOCAL_PX
    right = (across + BAR_M / 2) / along + right_off_px / FOCAL_PX
    told = BAR_M / (right - left)
    rise = height / along
    return tuple(np.column_stack([x * told, rise * told, told]) for x in (left, right))


def errors_mm(found, wanted):
    off = found - wanted
    return 1000 * np.std(off)


def hard_to_see(seed):
    """A set of which the left end is seen some pixels off for four frames at a time."""
    time, *truth = pressed()
    rng = np.random.default_rng(seed)
    n_spells = len(time) // 4 + 1
    off_px = np.where(rng.random(n_spells) < 0.25, rng.normal(0, 2.5, n_spells), 0)
    off_px = np.repeat(off_px, 4)[: len(time)] + rng.normal(0, 0.4, len(time))
    return time, truth, seen(*truth, off_px, rng.normal(0, 0.1, len(time)))


@pytest.mark.parametrize("seed", range(6))
def test_an_end_that_jumps_does_not_bring_the_bar_nearer(seed):
    time, (along, *_), (left, right) = hard_to_see(seed)
    way = along_bench(time, left, right, FOCAL_PX / HERE_M)
    assert errors_mm(left[:, 2], along) > 5.0
    assert errors_mm(way.along_m, along) < 0.5 * errors_mm(left[:, 2], along)
    # What a camera that looks down by 15 degrees takes of it for upward speed while the bar rests,
    # of which 0.03 m/s would be taken for the start of the press.
    resting = (time % 4 > 1.6) & (time % 4 < 1.95)
    feigned_m_s = np.tan(np.deg2rad(15)) * np.gradient(way.along_m, time)[resting]
    assert np.abs(feigned_m_s).max() < 0.015


def test_what_is_not_known_is_told():
    within, sds = [], []
    for seed in range(6):
        time, truth, ends = hard_to_see(seed)
        way = along_bench(time, *ends, FOCAL_PX / HERE_M)
        within.append(np.mean(np.abs(way.along_m - truth[0]) < 2 * way.sd_m))
        sds.append(np.median(way.sd_m))
    assert np.mean(within) > 0.85
    clear = along_bench(time, *seen(*truth, 0.0, 0.0), FOCAL_PX / HERE_M)
    assert np.median(clear.sd_m) < 0.9 * min(sds)
    assert errors_mm(clear.along_m, truth[0]) < 1.0


def test_frames_without_an_end_stay_without_a_place():
    time, (along, *_), (left, right) = hard_to_see(1)
    left = left.copy()
    left[100:110] = np.nan
    way = along_bench(time, left, right, FOCAL_PX / HERE_M)
    assert np.isnan(way.along_m[100:110]).all()
    assert np.isnan(way.along_m).sum() == 10
    assert errors_mm(way.along_m[110:], along[110:]) < 3.0
    few = along_bench(time[:5], left[:5], right[:5], FOCAL_PX / HERE_M)
    assert np.array_equal(few.along_m, left[:5, 2])


def test_ends_seen_alike_weigh_alike():
    """Mirrored, the same set gives the same way."""
    time, *truth = pressed()
    rng = np.random.default_rng(5)
    off = rng.normal(0, 1.0, (2, len(time)))
    left, right = seen(*truth, *off)
    mirrored = [np.column_stack([-end[:, 0], end[:, 1:]]) for end in (right, left)]
    here = along_bench(time, left, right, FOCAL_PX / HERE_M).along_m
    there = along_bench(time, *mirrored, FOCAL_PX / HERE_M).along_m
    assert here == pytest.approx(there, abs=1e-6)
