"""A clip's pictures straightened where its lens bends lines; what was put on pictures moves along.

Whoever opens the clip of a result takes the lens with it (`source.probe_same`), so that all
pictures of a clip are straightened alike.
"""

import dataclasses
from typing import TypeVar

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.corrections import Corrections, EndPoint, JointPoint, PlatePoint
from barpath.clip.frames import ClipInfo
from barpath.clip.lens import Lens
from barpath.clip.lensfit import find_lens
from barpath.clip.reading import Reading

Point = TypeVar("Point", JointPoint, PlatePoint, EndPoint)
# A file keeps a bend to a millionth.
_SAME_BEND = 1e-6


def straighten(reading: Reading, config: AnalysisConfig) -> AnalysisConfig:
    """Have a clip's pictures straightened where its lens clearly bends lines.

    Parameters
    ----------
    reading : Reading
        Of the clip, before the bar is looked for.
    config : AnalysisConfig

    Returns
    -------
    AnalysisConfig
        Where the user pointed is now a place in the straightened picture.
    """
    info, search, settings = reading.info, config.search, config.lens
    stretch_s = min(search.stretch_s, info.duration_s)
    pictures = reading.sample(settings.n_pictures / stretch_s, stretch_s, settings.max_side_px)
    lens = find_lens([picture.image for picture in pictures], settings, config.scene)
    if lens is None:
        return config
    reading.straighten(lens)
    if config.plate_at_px is None:
        return config
    x, y = lens.straightened(config.plate_at_px, info.size_px).tolist()
    return dataclasses.replace(config, plate_at_px=(x, y))


def on_pictures_of(corrections: Corrections, info: ClipInfo) -> Corrections:
    """Corrections as they lie on a clip's pictures, straightened as these are.

    Parameters
    ----------
    corrections : Corrections
        Put on pictures of the same clip that may have been straightened otherwise, or not at all.
    info : ClipInfo

    Returns
    -------
    Corrections
    """
    bend = 0.0 if info.lens is None else info.lens.bend
    if not corrections or abs(bend - corrections.bend) < _SAME_BEND:
        return corrections
    there, here = Lens(corrections.bend, 0.0, 0), Lens(bend, 0.0, 0)

    def moved(point: Point) -> Point:
        filmed_px = there.bent((point.x_px, point.y_px), info.size_px)
        x_px, y_px = here.straightened(filmed_px, info.size_px).tolist()
        return dataclasses.replace(point, x_px=x_px, y_px=y_px)

    return Corrections(
        tuple(moved(point) for point in corrections.joints),
        tuple(moved(point) for point in corrections.plate),
        tuple(moved(point) for point in corrections.ends),
        bend,
    )
