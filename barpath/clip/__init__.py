"""A file becomes upright frames with true times, and the scene's own motion and level.

In: a video file. Out: `frames.ClipInfo`, a stream of `frames.Frame` (RGB, `time_s` in real seconds
from the first frame), and of the scene `cameramotion`'s table of transforms from image to steadied
image (pixels) and `sceneroll`'s roll and pitch (degrees) and, where the scenery tells it, focal
length (pixels). And, where it shows, `lens.Lens`: how the lens bends straight lines, which frames
are then rid of.

`reading` gives those frames to one who looks ahead and then to one who takes all of them, and
decodes them once. `frames` rests on `container`, which reads the file, `upright`, which turns and
scales pictures, `rates`, and `streamstats`, which counts what was lost; `cameramotion` and
`sceneroll` on `scene`, which holds their settings and the arithmetic of transforms, and on
`parallax`, `scenelines` and `scenegrid`. `lensfit` finds the lens from edges that `edgelines`
follows. `writer` writes clips; `samples` knows where the
demonstration clip lies.
"""

__all__ = [
    "cameramotion",
    "container",
    "edgelines",
    "frames",
    "lens",
    "lensfit",
    "parallax",
    "rates",
    "reading",
    "samples",
    "scene",
    "scenegrid",
    "scenelines",
    "sceneroll",
    "streamstats",
    "upright",
    "writer",
]
