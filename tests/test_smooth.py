"""Smoothing against analytic motions, handbook values and scipy."""

import numpy as np
import pytest
from scipy import signal
from scipy.interpolate import CubicSpline, make_smoothing_spline

from barpath.errors import OptionError
from barpath.space.smooth import (
    SmoothConfig,
    design_cutoff,
    lowpass,
    noise_gain,
    residual_analysis,
    smooth,
)

G = 9.80665  # standard gravity, CGPM 1901


def test_correction_for_the_second_pass() -> None:
    # Winter, Biomechanics and Motor Control of Human Movement: C = 0.802 for a dual pass.
    assert 6.0 / design_cutoff(6.0, 1e5) == pytest.approx(0.802, abs=5e-4)


@pytest.mark.parametrize("rate", [24.0, 60.0, 240.0])
@pytest.mark.parametrize("order", [2, 4])
def test_two_passes_have_half_power_at_the_cutoff(rate: float, order: int) -> None:
    cutoff = 5.0
    sos = signal.butter(order, design_cutoff(cutoff, rate, order), fs=rate, output="sos")
    _, response = signal.sosfreqz(sos, worN=[cutoff], fs=rate)
    assert np.abs(response[0]) ** 2 == pytest.approx(np.sqrt(0.5), rel=1e-9)


def test_agrees_with_scipy_filtfilt() -> None:
    rng = np.random.default_rng(0)
    values = np.cumsum(rng.normal(0, 0.01, 400))
    b, a = signal.butter(2, design_cutoff(4.0, 60.0), fs=60.0)
    reference = signal.filtfilt(b, a, values, padtype="odd", padlen=45)
    np.testing.assert_allclose(lowpass(values, 60.0, 4.0), reference, atol=1e-10)


@pytest.mark.parametrize(("rate", "sd"), [(24, 0.004), (30, 0.001), (60, 0.003), (240, 0.006)])
def test_residual_analysis_finds_the_noise(rate: float, sd: float) -> None:
    rng = np.random.default_rng(3)
    t = np.arange(0, 20, 1 / rate)
    truth = 0.2 * np.cos(2 * np.pi * 0.4 * t) + 0.02 * np.sin(2 * np.pi * 1.6 * t)
    result = residual_analysis([truth + rng.normal(0, sd, len(t))], rate)
    assert result.noise_sd == pytest.approx(sd, rel=0.12)
    assert result.tail_start_hz > 1.6
    # Winter's criterion: what the filter takes from the signal is as much as the noise it passes.
    loose = SmoothConfig(min_cutoff_hz=0.5)
    cutoff = residual_analysis([truth + rng.normal(0, sd, len(t))], rate, loose).cutoff_hz
    lost = np.std(truth - lowpass(truth, rate, cutoff))
    passed = sd * noise_gain(len(t), rate, cutoff)[0][len(t) // 2]
    assert lost == pytest.approx(passed, rel=0.5)


def test_residuals_are_those_of_the_filter() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(0, 20, 1 / 60)
    values = 0.2 * np.cos(2 * np.pi * 0.4 * t) + 0.1 * t + rng.normal(0, 0.003, len(t))
    result = residual_analysis([values], 60.0)
    direct = [np.std(values - lowpass(values, 60.0, fc)) for fc in result.frequency_hz]
    np.testing.assert_allclose(result.residual, direct, rtol=0.02)


def test_more_noise_lowers_the_cutoff() -> None:
    rng = np.random.default_rng(5)
    t = np.arange(0, 20, 1 / 60)
    truth = 0.2 * np.cos(2 * np.pi * 0.4 * t) + 0.02 * np.sin(2 * np.pi * 1.6 * t)
    cutoffs = [
        smooth(t, truth + rng.normal(0, sd, len(t)), SmoothConfig(min_cutoff_hz=0.5)).cutoff_hz
        for sd in (0.0005, 0.002, 0.008)
    ]
    assert cutoffs[0] > cutoffs[1] > cutoffs[2]


@pytest.mark.parametrize("rate", [30.0, 60.0, 240.0])
def test_free_fall(rate: float) -> None:
    # Constant acceleration g: v = -g t, y = -g t² / 2.
    rng = np.random.default_rng(1)
    t = np.arange(0, 1.0, 1 / rate)
    result = smooth(t, -0.5 * G * t**2 + rng.normal(0, 0.002, len(t)))
    middle = (t > 0.3) & (t < 0.7)
    assert np.abs(result.velocity + G * t)[middle].max() < 0.25
    assert np.mean(result.acceleration[middle]) == pytest.approx(-G, rel=0.05)


def test_pendulum() -> None:
    # Small swings of a pendulum of 0.5 m: omega = sqrt(g / l), greatest speed = amplitude * omega.
    omega, amplitude, rate = np.sqrt(G / 0.5), 0.05, 120.0
    rng = np.random.default_rng(2)
    t = np.arange(0, 10, 1 / rate)
    values = amplitude * np.sin(omega * t)
    result = smooth(t, values + rng.normal(0, 0.001, len(t)))
    error = result.velocity - amplitude * omega * np.cos(omega * t)
    middle = (t > 0.5) & (t < 9.5)
    assert np.std(error[middle]) < 0.03 * amplitude * omega
    assert np.mean(np.abs(error) <= 1.96 * result.sd_velocity) > 0.9


def test_zero_lag() -> None:
    rate = 60.0
    t = np.arange(0, 8, 1 / rate)
    rng = np.random.default_rng(7)
    pulse = 0.4 * np.exp(-((t - 4.003) ** 2) / (2 * 0.3**2))
    result = smooth(t, pulse + rng.normal(0, 0.001, len(t)))
    lags = np.arange(-5, 6)
    match = [np.sum(result.value[50:-50] * pulse[50 + k : len(t) - 50 + k]) for k in lags]
    parabola = np.polyfit(lags, match, 2)
    assert abs(-parabola[1] / (2 * parabola[0])) / rate < 0.001


def test_close_to_a_smoothing_spline() -> None:
    # An independent way to smooth: scipy's penalised cubic spline (generalised cross-validation).
    rng = np.random.default_rng(8)
    t = np.arange(0, 6, 1 / 60)
    truth = 0.2 * np.cos(2 * np.pi * 0.5 * t)
    values = truth + rng.normal(0, 0.003, len(t))
    spline = make_smoothing_spline(t, values)
    result = smooth(t, values)
    middle = slice(20, -20)
    apart = np.std((result.velocity - spline.derivative()(t))[middle])
    assert apart < 0.03
    assert np.std((result.value - truth)[middle]) < 0.0015


@pytest.mark.parametrize(("rate", "n"), [(30.0, 40), (60.0, 300), (24.0, 12)])
def test_noise_gain_against_simulation(rate: float, n: int) -> None:
    rng = np.random.default_rng(9)
    noise = rng.normal(0, 1.0, (n, 2000))
    spline = CubicSpline(np.arange(n) / rate, lowpass(noise, rate, 4.0))
    for derivative, gain in enumerate(noise_gain(n, rate, 4.0)):
        spread = np.std(spline(np.arange(n) / rate, derivative), axis=1)
        np.testing.assert_allclose(spread, gain, rtol=0.1)
    sd = smooth(np.arange(n) / rate, noise[:, 0], SmoothConfig(cutoff_hz=4.0), sd=1.0).sd_velocity
    assert np.all(sd >= 0.99 * noise_gain(n, rate, 4.0)[1])


def test_stated_uncertainty_covers() -> None:
    rng = np.random.default_rng(10)
    t = np.arange(0, 20, 1 / 60)
    omega = 2 * np.pi * 0.4
    inside, inside_v = [], []
    for _ in range(10):
        result = smooth(t, 0.2 * np.cos(omega * t) + rng.normal(0, 0.003, len(t)), sd=0.003)
        inside.append(np.abs(result.value - 0.2 * np.cos(omega * t)) <= 1.96 * result.sd)
        error = result.velocity + 0.2 * omega * np.sin(omega * t)
        inside_v.append(np.abs(error) <= 1.96 * result.sd_velocity)
    assert 0.9 < np.mean(inside) < 0.99
    assert 0.9 < np.mean(inside_v) < 0.99


def test_variable_frame_rate() -> None:
    rng = np.random.default_rng(11)
    t = np.cumsum(rng.choice([1 / 30, 1 / 30, 1 / 25, 1 / 60], 300))
    truth = 0.2 * np.cos(2 * np.pi * 0.5 * t)
    result = smooth(t, truth + rng.normal(0, 0.001, len(t)))
    speed = -0.2 * np.pi * np.sin(2 * np.pi * 0.5 * t)
    middle = slice(15, -15)
    assert np.abs((result.value - truth)[middle]).max() < 0.004
    assert np.abs((result.velocity - speed)[middle]).max() < 0.06
    assert not result.gap.any()


def test_short_gap_is_bridged_and_marked_long_gap_splits() -> None:
    t = np.arange(0, 6, 1 / 60)
    truth = 0.2 * np.cos(2 * np.pi * 0.5 * t)
    values = truth.copy()
    values[100:108] = np.nan
    values[200:230] = np.nan
    result = smooth(t, values)
    assert result.gap[100:108].all()
    assert result.gap.sum() == 8
    assert np.isnan(result.value[200:230]).all()
    assert np.isfinite(result.value[:200]).all() and np.isfinite(result.value[230:]).all()
    assert np.abs(result.value - truth)[100:108].max() < 1.96 * result.sd[103]
    assert result.sd[103] > 2 * result.sd[150]
    alone = smooth(t[230:], values[230:], SmoothConfig(cutoff_hz=result.cutoff_hz))
    np.testing.assert_allclose(result.value[230:], alone.value, atol=1e-9)


def test_ends_are_not_extrapolated() -> None:
    t = np.arange(0, 2, 1 / 30)
    values = np.sin(t)
    values[:5] = values[-3:] = np.nan
    result = smooth(t, values)
    assert np.isnan(result.value[:5]).all() and np.isnan(result.value[-3:]).all()


def test_outliers_are_rejected_and_clean_samples_are_not() -> None:
    rng = np.random.default_rng(12)
    t = np.arange(0, 10, 1 / 30)
    truth = 0.2 * np.cos(2 * np.pi * 0.5 * t)
    values = truth + rng.normal(0, 0.002, len(t))
    assert smooth(t, values).outlier.sum() == 0
    values[[50, 120, 121, 200]] += [0.1, -0.3, -0.25, 0.06]
    result = smooth(t, values)
    assert np.flatnonzero(result.outlier).tolist() == [50, 120, 121, 200]
    assert np.abs(result.value - truth).max() < 0.008


def test_a_sharp_turn_at_a_low_rate_is_not_an_outlier() -> None:
    # A bounce with 12 m/s² at 24 frames a second.
    t = np.arange(0, 4, 1 / 24)
    values = np.where(
        np.abs(t - 2.01) < 0.1, 6 * (t - 2.01) ** 2, 0.06 + 1.2 * np.abs(t - 2.01) - 0.12
    )
    rng = np.random.default_rng(13)
    assert not smooth(t, values + rng.normal(0, 0.0005, len(t))).outlier.any()


def test_too_little_to_smooth_is_missing() -> None:
    assert np.isnan(smooth(np.arange(5.0), np.ones(5)).value).all()
    assert np.isnan(smooth(np.arange(50.0), np.full(50, np.nan)).value).all()


def test_bad_input() -> None:
    with pytest.raises(OptionError):
        smooth([0.0, 1.0, 1.0], [0.0, 0.0, 0.0])
    with pytest.raises(OptionError):
        smooth([0.0, 1.0], [0.0])
    with pytest.raises(OptionError):
        lowpass(np.zeros(50), 30.0, 20.0)
