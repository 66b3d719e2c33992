"""A file becomes upright frames with true times, and the scene's own motion and level.

In: a video file. Out: `frames.ClipInfo`, a stream of `frames.Frame` (RGB, `time_s` in real seconds
from the first frame), and `scene`'s table of transforms from image to steadied image (pixels) and
roll (degrees). `frames` also writes clips; `samples` knows where the demonstration clip lies.
"""

__all__ = ["frames", "samples", "scene"]
