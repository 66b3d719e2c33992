"""What the times of a clip's frames say of its rate, and of slow motion."""

import math

import numpy as np

# Intervals within this share of a whole multiple (2, 3, ...) of the usual one hold dropped frames.
_MULTIPLE_TOLERANCE = 0.25
# An interval is off the regular rate when it differs from the usual one by more than this share.
_REGULAR_TOLERANCE = 0.10
# A clip is of variable rate when more than this share of its intervals is off the regular rate.
_VARIABLE_SHARE = 0.01
# Slow motion is recorded at 90 fps or more and plays at most at this share of that rate. A lower
# tag is met in ordinary clips whose rate sank in poor light, which are not slow motion (common
# practice, no source).
_SLOW_MOTION_MIN_FPS = 90.0
_SLOW_MOTION_MAX_RATIO = 0.6


def usual_interval_s(intervals_s: np.ndarray, tick_s: float) -> float:
    """Mean of the intervals near the median one, free of drops and of rounding to whole ticks."""
    # An interval that occurs, not one between two, so that some lie near it.
    median_s = np.percentile(intervals_s, 50, method="nearest")
    near_s = max(_MULTIPLE_TOLERANCE * median_s, 1.01 * tick_s)
    return float(intervals_s[np.abs(intervals_s - median_s) <= near_s].mean())


def regularity(intervals_s: np.ndarray, usual_s: float, tick_s: float) -> tuple[bool, int]:
    """Whether the rate varies, and how many frames the rate's gaps are short of."""
    multiples = intervals_s / usual_s
    whole = np.rint(multiples)
    gap = (whole >= 2) & (np.abs(multiples - whole) < _MULTIPLE_TOLERANCE)
    # Stamps rounded to a coarse clock (1 ms in Matroska) are not a varying rate.
    tolerance = max(_REGULAR_TOLERANCE, 1.01 * tick_s / usual_s)
    irregular = ~gap & (np.abs(multiples - 1) > tolerance)
    return bool(irregular.mean() > _VARIABLE_SHARE), int((whole[gap] - 1).sum())


def tagged_time_scale(metadata: dict[str, str], file_fps: float) -> tuple[float, str | None]:
    """Time scale by the capture-rate tag that phones write, and a warning when it is unclear."""
    for key, value in metadata.items():
        if key.lower().replace("_", ".").endswith("capture.fps"):
            try:
                capture_fps = float(value)
            except ValueError:
                continue
            if not (math.isfinite(capture_fps) and capture_fps > 0):
                continue
            ratio = file_fps / capture_fps
            if capture_fps >= _SLOW_MOTION_MIN_FPS and ratio <= _SLOW_MOTION_MAX_RATIO:
                return ratio, None
            if ratio <= _SLOW_MOTION_MAX_RATIO:
                return 1.0, (
                    f"The file says it was captured at {capture_fps:g} frames per second but plays "
                    f"{file_fps:.3g}; give the capture rate if it is slow motion."
                )
    return 1.0, None
