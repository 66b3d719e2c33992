"""Pixels become metres: the camera from the bar and its parts, the arms in space, smooth curves.

In: the tables of what is seen (pixels). Out: `calibrate.Calibration` (the camera and the scale with
its uncertainty), joints in the plane of the view (`joints`), both arms fitted to the whole set with
draws from the covariance (`armfit`, metres), their angles in the trunk's frame (`arms3d`, degrees),
smoothed curves (`smooth`), and two clips' clocks laid on each other (`pairing`, seconds).
"""

__all__ = ["armfit", "arms3d", "calibrate", "joints", "pairing", "smooth"]
