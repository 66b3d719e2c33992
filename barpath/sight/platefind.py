"""Find the loaded plate nearest the camera, in side and oblique views: which round thing presses.

In: a few samples a second, with the camera's transforms, px. Out: a `PlateSeed` in px of the full
image, from which `platetrack` goes on.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
from numpy.typing import NDArray

from barpath.errors import BarNotFoundError
from barpath.ground.choice import best_index
from barpath.sight.ellipse import from_params, mean_radius
from barpath.sight.pictures import FrameLike
from barpath.sight.plate import PlateCandidate, PlateConfig, PlateSeed
from barpath.sight.platebehind import largest_plate
from barpath.sight.platemates import moving_along
from barpath.sight.platemeasure import Refined, measured_again, refine
from barpath.sight.platepaths import (
    ShapePath,
    choose_shapes,
    follow_shapes,
    judge_all,
    most_worth_first,
    shapes_tried,
)
from barpath.sight.platesamples import PlateSamples

FloatArray = NDArray[np.floating]


def find_plate(
    samples: Sequence[FrameLike],
    config: PlateConfig | None = None,
    at_px: tuple[float, float] | None = None,
    *,
    at_sample: int = 0,
    transforms: FloatArray | None = None,
    likely: Callable[[Mapping[int, FloatArray], float], bool] | None = None,
) -> PlateSeed:
    """Find the loaded plate nearest the camera: the large round thing that moves like a press.

    Parameters
    ----------
    samples : sequence of FrameLike
        Four to six frames a second across the clip, in order of time, all of one size.
    config : PlateConfig, optional
    at_px : (float, float), optional
        A point (x, y) on the plate in the image of sample `at_sample`, when the user shows it; then
        the plate is taken there and need not move.
    at_sample : int
        Position in `samples` that `at_px` refers to.
    transforms : array_like, shape (n, 2, 3), optional
        Image → steadied image of every sample, px; a still camera when omitted.
    likely : callable, optional
        Whether a round thing can be the plate at all: by the number of the sample its centre (x, y)
        in that image, and its mean radius, px.

    Returns
    -------
    PlateSeed

    Raises
    ------
    BarNotFoundError
        When nothing round moves like a press, or nothing round is at `at_px`.

    Notes
    -----
    Outlines of many sizes and slimnesses are correlated with the image's edge directions, where
    pixels change over the samples; the best shapes are linked through all samples by dynamic
    programming; each path is judged by its movement in steadied coordinates (mainly vertical,
    tenths of the diameter to about twice, down and up again) and by how much of the outline shows.
    All things on the bar move alike, so the edges of all samples are then laid over one another
    along each path: what moves along adds up and the rest fades, which shows the plate's whole
    outline even if the path was found by a part of it.
    """
    config = config or PlateConfig()
    if len(samples) == 0 or (at_px is None and len(samples) < 6):
        raise BarNotFoundError("The clip is too short to see a plate move like a press.")
    work = PlateSamples(samples, transforms, config)
    shown = None
    if at_px is not None:
        shown = (at_sample, (np.asarray(at_px, dtype=float) + 0.5) * work.scale - 0.5)
    may_be = None if likely is None else _at_places(work, likely)
    paths = _paths(work, config, shown, may_be)
    refined = _measured(work, moving_along(work, paths, config, shown, may_be), config)
    if not refined or (at_px is None and max(s for s, _ in refined) < config.min_score):
        raise BarNotFoundError(
            "No plate was found that goes down and up like a press; point at it to show it."
            if at_px is None
            else f"Nothing round was found at the point ({at_px[0]:.0f}, {at_px[1]:.0f})."
        )
    refined = most_worth_first(
        lambda item: item[0] ** 2 * np.sqrt(mean_radius(item[1].params)), refined
    )
    if at_px is None:
        refined = _nearest_first(refined)
    score, first = refined[0]
    best = largest_plate(work, measured_again(work, first, config), config)
    candidates = _candidates(work, [found for _, found in refined], paths)
    return _seed(work, best, float(score) if at_px is None else 1.0, candidates)


def _at_places(
    work: PlateSamples, likely: Callable[[Mapping[int, FloatArray], float], bool]
) -> Callable[[ShapePath], bool]:
    """The question whether a path can be the plate's, asked in px of the full image."""

    def may_be(path: ShapePath) -> bool:
        places = zip(path.sample.tolist(), work.to_image(path.image_xy), strict=True)
        return likely(dict(places), path.shape.radius_px / float(np.sqrt(work.scale.prod())))

    return may_be


def _paths(
    work: PlateSamples,
    config: PlateConfig,
    shown: tuple[int, FloatArray] | None,
    may_be: Callable[[ShapePath], bool] | None,
) -> list[ShapePath]:
    """Likely outlines followed through the samples and judged; `shown` as for `moving_along`."""
    n = len(work.samples)
    if shown is None:
        picks = np.unique(np.linspace(0, n - 1, config.n_shape_samples).astype(int))
    else:
        picks = np.array([shown[0]])
    tried = shapes_tried(work.shape, config)
    shapes = choose_shapes(work, tried, picks, config, None if shown is None else shown[1])
    paths = follow_shapes(work, shapes, config, shown)
    judge_all(paths, n, config, pointed_at=shown is not None, may_be=may_be)
    return paths


def _measured(
    work: PlateSamples, likely: list[ShapePath], config: PlateConfig
) -> list[tuple[float, Refined]]:
    """Outlines measured along likely paths, each with its score, 0..1, if they may be a plate's."""
    with ThreadPoolExecutor() as pool:
        results = pool.map(lambda path: refine(work, path, config), likely)
    least_px = 0.9 * config.min_diameter_share * np.sqrt(np.prod(work.samples[0].image.shape[:2]))
    return [
        (np.sqrt(r.path.score * r.quality), r)
        for r in results
        if r is not None
        and from_params(r.params).major_px >= least_px
        and from_params(r.params).aspect >= config.min_aspect - 0.03
    ]


def _seed(
    work: PlateSamples, best: Refined, score: float, candidates: tuple[PlateCandidate, ...]
) -> PlateSeed:
    """The seed, in px of the full image, of the outline that was chosen."""
    places = work.to_image(best.path.image_xy)
    at = np.flatnonzero(best.path.sample == best.index)[0]
    # The path was found with a coarse outline; shift it by what the fit corrected.
    places = places + (best.params[:2] - places[at])
    path = np.column_stack(
        [work.index[best.path.sample], work.time_s[best.path.sample], places]
    ).astype(float)
    typical = np.median(best.rim.colour, axis=0)
    return PlateSeed(
        index=int(work.index[best.index]),
        ellipse=from_params(best.params),
        path=path,
        score=score,
        reason=(
            f"{best.path.reason}: travels {best.path.travel:.2f} of its diameter, "
            f"{100 * best.share:.0f} % of its outline shows"
        ),
        candidates=candidates,
        rim_rgb=(float(typical[0]), float(typical[1]), float(typical[2])),
        rim_sd=float(np.sqrt(np.median(best.rim.variance))),
        rim_edge=best.rim.edge,
    )


def _nearest_first(refined: list[tuple[float, Refined]]) -> list[tuple[float, Refined]]:
    """Put in front the largest of those that move like the first and show about as well.

    Of the two plates of a bar the nearer one is wanted, which looks the larger. Outlines about the
    same place may be two readings of one plate, of which the better one counts.
    """
    score, first = refined[0]
    chosen, largest = 0, from_params(first.params).major_px
    for k, (other_score, other) in enumerate(refined[1:], start=1):
        major = from_params(other.params).major_px
        least = 0.9 if _one_body(first, other) else 0.75
        alike = other_score > least * score and other.share > 0.8 * first.share
        if alike and major > largest and _move_alike(first.path, other.path):
            chosen, largest = k, major
    return [refined[chosen], *refined[:chosen], *refined[chosen + 1 :]]


def _one_body(first: Refined, other: Refined) -> bool:
    """Whether two outlines lie so far over one another that they may be readings of one plate."""
    centre, its = dict(first.seen_in), dict(other.seen_in)
    apart = [float(np.linalg.norm(centre[k] - its[k])) for k in centre.keys() & its.keys()]
    return bool(apart) and bool(np.median(apart) < 0.5 * mean_radius(first.params))


def _move_alike(path: ShapePath, other: ShapePath) -> bool:
    """Whether two paths rise and fall together, as the two ends of a bar do."""
    _, mine, its = np.intersect1d(path.sample, other.sample, return_indices=True)
    if len(mine) < 5:
        return False
    y, y_other = path.steady_xy[mine, 1], other.steady_xy[its, 1]
    if min(np.ptp(y), np.ptp(y_other)) <= 0:
        return False
    return float(np.corrcoef(y, y_other)[0, 1]) > 0.8


def _candidates(
    work: PlateSamples, measured: list[Refined], paths: list[ShapePath]
) -> tuple[PlateCandidate, ...]:
    """What was measured, in its order, then the likeliest of the paths that were not."""
    candidates = [_candidate(work, found.path, found.share, found.params) for found in measured]
    done = {id(found.path) for found in measured}
    rest = most_worth_first(lambda path: path.score, [p for p in paths if id(p) not in done])
    candidates += [_candidate(work, p, float(np.mean(p.support)), None) for p in rest[:8]]
    return tuple(candidates)


def _candidate(
    work: PlateSamples, path: ShapePath, support: float, params: FloatArray | None
) -> PlateCandidate:
    if params is None:
        best = best_index(path.support)[0]
        scale = float(np.sqrt(work.scale.prod()))
        shape = path.shape.params[2:] * 2**path.shape.level / scale
        params = np.r_[work.to_image(path.image_xy[best]), shape]
    return PlateCandidate(from_params(params), path.score, support, path.travel, path.reason)
