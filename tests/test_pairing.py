"""Two clips on one clock: made height signals whose lag is known."""

import numpy as np
import pytest
from scipy.interpolate import CubicSpline

from barpath.errors import OptionError
from barpath.space.pairing import AMBIGUOUS, NO_MATCH, SURE, synchronise
from sample_clips_synthetic.generator.motion import BarMotion, Levels, RepSpec, SetSpec


def made_set(seed=1, n=3, same=False):
    rng = np.random.default_rng(seed)
    reps = tuple(
        RepSpec()
        if same
        else RepSpec(
            rng.uniform(1.0, 1.6),
            rng.uniform(0.3, 0.8),
            rng.uniform(1.0, 1.6),
            rng.uniform(0.6, 1.0),
            dip=rng.uniform(0.4, 0.8),
        )
        for _ in range(n)
    )
    levels = Levels((1.1,) * n, (0.7,) * n, 0.1, 1.0)
    motion = BarMotion(SetSpec(reps, tremor_m=0.0005 if same else 0.0012), levels, seed)
    grid = np.arange(0.0, motion.duration_s + 0.01, 0.01)
    curve = CubicSpline(grid, [motion.at(t).middle[1] for t in grid])
    return curve, motion.duration_s


RATES = [(30.0, 60.0), (24.0, 30.0), (60.0, 24.0), (29.97, 59.94), (120.0, 30.0)]


@pytest.mark.parametrize(("rate_1", "rate_2"), RATES)
def test_lag_is_within_a_quarter_of_a_frame(rate_1, rate_2):
    """A quarter of the shorter frame is the project's own aim; 1.5 mm of noise a frame."""
    errors, sds = [], []
    for seed in range(4):
        height, end = made_set(seed)
        rng = np.random.default_rng(100 + seed)
        begin = rng.uniform(0.0, 2.5)
        t1 = np.arange(0.0, end, 1 / rate_1)
        t2 = np.arange(0.0, end - begin, 1 / rate_2)
        y1 = height(t1) + rng.normal(0, 0.0015, len(t1))
        scale = rng.uniform(0.95, 1.05)
        y2 = scale * height(t2 + begin) - 0.6 + rng.normal(0, 0.0015, len(t2))
        match = synchronise(t1, y1, t2, y2)
        assert match.verdict == SURE
        assert match.scale == pytest.approx(1 / scale, rel=0.01)
        errors.append(match.lag_s + begin)
        sds.append(match.lag_sd_s)
    assert np.max(np.abs(errors)) < 0.25 / max(rate_1, rate_2)
    assert np.all(np.abs(errors) < 4 * np.array(sds))


def test_stated_uncertainty_is_that_of_repeated_trials():
    height, end = made_set(7)
    t1, t2 = np.arange(0, end, 1 / 30), np.arange(0, end - 1.23, 1 / 24)
    y1, y2 = height(t1), height(t2 + 1.23)
    rng = np.random.default_rng(3)
    got = [
        synchronise(t1, y1 + rng.normal(0, 0.004, len(t1)), t2, y2 + rng.normal(0, 0.004, len(t2)))
        for _ in range(25)
    ]
    spread = np.std([m.lag_s for m in got])
    stated = np.mean([m.lag_sd_s for m in got])
    assert 0.6 < stated / spread < 2.0


def test_gaps_and_irregular_frames():
    height, end = made_set(5)
    rng = np.random.default_rng(5)
    t1 = np.sort(rng.uniform(0, end, int(30 * end)))
    t2 = np.arange(0, end - 2.0, 1 / 60) + 0.3
    y1, y2 = height(t1), height(t2 + 1.5)
    y1[40:60] = np.nan
    y2[200:260] = np.nan
    match = synchronise(t1, y1 + rng.normal(0, 0.002, len(t1)), t2, y2)
    assert match.verdict == SURE
    assert match.lag_s == pytest.approx(-1.5, abs=0.25 / 60)


def test_one_clip_shows_only_the_last_repetitions():
    height, end = made_set(9, n=4)
    t1 = np.arange(0, end, 1 / 30)
    t2 = np.arange(0, end - 7.5, 1 / 30)
    match = synchronise(t1, height(t1), t2, height(t2 + 7.5))
    assert match.verdict == SURE
    assert match.lag_s == pytest.approx(-7.5, abs=0.25 / 30)


def test_repetitions_that_look_alike_are_called_ambiguous():
    height, end = made_set(2, n=4, same=True)
    period = (end - 1.0) / 4
    t1 = np.arange(0, end - period - 0.5, 1 / 30)
    t2 = np.arange(0, end - period - 0.5, 1 / 30)
    rng = np.random.default_rng(2)
    match = synchronise(
        t1,
        height(t1) + rng.normal(0, 0.003, len(t1)),
        t2,
        height(t2 + period) + rng.normal(0, 0.003, len(t2)),
    )
    assert match.verdict == AMBIGUOUS
    assert {round(match.lag_s / period), round(match.other_lag_s / period)} >= {-1, 0}
    assert "alike" in match.reason


def test_two_different_sets_do_not_match():
    one, end_1 = made_set(11, n=2)
    other, end_2 = made_set(12, n=3)
    t1, t2 = np.arange(0, end_1, 1 / 30), np.arange(0, end_2, 1 / 30)
    assert synchronise(t1, one(t1), t2, other(t2)).verdict != SURE
    still = np.zeros_like(t2)
    assert synchronise(t1, one(t1), t2, still).verdict == NO_MATCH


def test_too_few_heights():
    t = np.arange(0, 5, 1 / 30)
    with pytest.raises(OptionError, match="second clip"):
        synchronise(t, np.sin(t), t, np.full_like(t, np.nan))
