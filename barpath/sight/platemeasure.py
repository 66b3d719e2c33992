"""A candidate's outline measured in full-size samples: its size, its rim and how sure it is.

In: a path (`platepaths`), in work px. Out: `Refined`, the outline in px of the full image with a
quality 0..1. Lip, rings and rim of a plate all look like outlines, and something standing may cut
one off; all are measured, and the most convincing one is kept.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.ground.choice import best_index, ranked
from barpath.sight.ellipse import (
    Ellipse,
    from_params,
    mean_radius,
    outline_from_params,
    outline_matrix,
    slant_sine,
    to_params,
    unit_vectors,
)
from barpath.sight.plate import PlateConfig
from barpath.sight.plateoutline import EdgeStrip, Rim, derivative, first_rim, fit_outline
from barpath.sight.platepaths import ShapePath, TriedShape, most_worth_first
from barpath.sight.platesamples import PlateSamples

FloatArray = NDArray[np.floating]

_MIN_COVERED, _MAX_COVERED = 0.10, 0.60


@dataclass
class Refined:
    """A candidate measured in full-size samples.

    `covered` tells the rays on which something standing hides the outline; `arc` holds edge points
    of the others, px from the outline's centre.
    """

    path: ShapePath
    index: int
    params: FloatArray
    share: float
    quality: float
    rim: Rim
    seen_in: list[tuple[int, FloatArray]]
    covered: NDArray[np.bool_]
    arc: FloatArray

    def places(self) -> tuple[NDArray[np.intp], FloatArray]:
        """Positions in the path of the samples that it was seen in, and its centres there, px."""
        rows = [np.flatnonzero(self.path.sample == sample)[0] for sample, _ in self.seen_in]
        return np.array(rows), np.array([centre for _, centre in self.seen_in])


def refine(work: PlateSamples, path: ShapePath, config: PlateConfig) -> Refined | None:
    """Measure size and shape of a candidate in the samples that show it best."""
    order = _spread_best(path)
    scale = float(np.sqrt(work.scale.prod()))
    base = np.r_[0.0, 0.0, path.shape.params[2:] * 2**path.shape.level / scale]
    sizes = np.array(
        [(w, h) for h in np.linspace(0.82, 1.22, 13) for w in h * np.linspace(0.85, 1.15, 5)]
    )
    gathered, where = _edges_by_size(work, path, order, base, sizes, config)
    mean = gathered.mean(axis=0)
    results: list[Refined] = []
    tried: list[FloatArray] = []
    # Lip, rings and rim give several good sizes: measure each and keep the most convincing.
    for column in ranked(mean):
        if len(tried) == 4 or mean[column] < 0.7 * mean.max():
            break
        if any(np.abs(sizes[column] - other).sum() < 0.09 for other in tried):
            continue
        tried.append(sizes[column])
        w, h = sizes[column]
        start = base.copy()
        start[2:] *= (w, h, np.sqrt(w * h))
        result = measure_shape(work, path, order, start, where[:, column], config)
        if result is not None:
            results.append(result)
    results = most_worth_first(worth, results)
    # Where part is covered, an outline may settle between two lines, so more than one is followed.
    hidden = bool(results) and results[0].covered.mean() >= _MIN_COVERED
    grown = [_grown(work, result, config) for result in results[: 3 if hidden else 1]]
    if hidden:
        grown = [_backed(result, grown) for result in grown]
    return next(iter(most_worth_first(worth, grown)), None)


def _edges_by_size(
    work: PlateSamples,
    path: ShapePath,
    order: NDArray[np.intp],
    base: FloatArray,
    sizes: FloatArray,
    config: PlateConfig,
) -> tuple[FloatArray, FloatArray]:
    """Mean edge along outlines of several sizes in several samples, where each fits best.

    `sizes`, shape (m, 2), are widths and heights as shares of `base`. Returns strengths 0..1, shape
    (samples, m), and centres in px of the full image, shape (samples, m, 2).
    """
    units = unit_vectors(config.n_rays)
    radius = mean_radius(base)
    reach = 0.34 * radius
    shifts = 0.16 * radius * np.linspace(-1, 1, 7)
    shifts = np.stack(np.meshgrid(shifts, shifts), axis=-1).reshape(-1, 2)
    matrix = outline_matrix(base)
    gathered = np.zeros((len(order), len(sizes)))
    where = np.zeros((len(order), len(sizes), 2))
    for row, k in enumerate(order):
        params = base.copy()
        params[:2] = work.to_image(path.image_xy[k])
        strip = EdgeStrip(work.samples[path.sample[k]].image, params, units, reach)
        typical = np.percentile(strip.edge, 75)
        evidence = strip.edge / (strip.edge + typical + 2.0) * strip.valid
        # Blur along the ray, because the grid is coarser than the strip.
        evidence = cv2.GaussianBlur(
            evidence.astype(np.float32),
            (0, 0),
            sigmaX=max(0.018 * radius / strip.step, 0.6),
            sigmaY=1e-3,
        )
        along = strip.normals @ shifts.T
        rays = np.arange(len(units))[:, None]
        for column, (w, h) in enumerate(sizes):
            grown = units @ (matrix * [[w - 1, 0.0], [0.0, h - 1]])
            offsets = along + np.sum(grown * strip.normals, axis=1, keepdims=True)
            at = np.round((offsets - strip.offsets[0]) / strip.step).astype(int)
            total = evidence[rays, np.clip(at, 0, len(strip.offsets) - 1)].mean(axis=0)
            best = best_index(total)[0]
            gathered[row, column] = total[best]
            where[row, column] = params[:2] + shifts[best]
    return gathered, where


def _spread_best(path: ShapePath) -> NDArray[np.intp]:
    """Positions in a path with good support, two each from its upper, middle and lower part."""
    y = path.steady_xy[:, 1]
    third = np.searchsorted(np.quantile(y, [1 / 3, 2 / 3]), y)
    order = np.array(ranked(path.support))
    return np.concatenate([order[third[order] == part][:2] for part in range(3)])


def measure_shape(
    work: PlateSamples,
    path: ShapePath,
    order: NDArray[np.intp],
    start: FloatArray,
    centres: FloatArray,
    config: PlateConfig,
    prior: FloatArray | None = None,
) -> Refined | None:
    """Fit one size of a candidate in several samples and say how convincing it is.

    `prior` is the inverse covariance of the outline's parameters about the start; wide if omitted.
    """
    units = unit_vectors(config.n_rays)
    radius = mean_radius(start)
    window = max(config.edge_window_min_px, 0.03 * radius)
    if prior is None:
        spread = np.r_[np.full(2, 0.2 * radius), np.full(3, 0.04 * radius)]
        prior = np.diag(1.0 / spread**2)
    outlines = [np.r_[centre, start[2:]] for centre in centres]
    covered = _covered(work, path, order, outlines, units)
    if covered.mean() > _MAX_COVERED:
        return None
    images = [work.samples[path.sample[k]].image for k in order]
    rims = [
        first_rim(image, params, units, ~covered)
        for image, params in zip(images, outlines, strict=True)
    ]
    visible = np.where(covered, 0.0, 1.0)
    fits = [
        fit_outline(image, params, params, prior, rim, units, window, config, visible)
        for image, params, rim in zip(images, outlines, rims, strict=True)
    ]
    shares = np.array([fit.inlier[~covered].mean() for fit in fits])
    trusted = np.flatnonzero(shares >= max(0.8 * shares.max(), 0.25))
    if not len(trusted):
        return None
    shape = np.median([fits[k].params[2:] for k in trusted], axis=0)
    if shape[0] * shape[1] - shape[2] ** 2 <= 0:
        return None
    scatter = np.median([np.abs(fits[k].params[2:] - shape).max() / radius for k in trusted])
    edge_sd = float(np.median([fits[k].edge_sd for k in trusted]))
    share = float(np.median(shares))
    quality = _quality(share, float(covered.mean()), edge_sd / (0.5 * window), scatter)
    coherence = _coherence(
        [images[k] for k in trusted], [np.r_[fits[k].params[:2], shape] for k in trusted]
    )
    best = best_index(shares)[0]
    arcs = [
        outline_from_params(fits[k].params, units)[0][fits[k].inlier] - fits[k].params[:2]
        for k in trusted
    ]
    return Refined(
        path,
        int(path.sample[order[best]]),
        np.r_[fits[best].params[:2], shape],
        share,
        quality * coherence,
        rims[best],
        [(int(path.sample[order[k]]), fits[k].params[:2]) for k in trusted],
        covered,
        np.concatenate(arcs),
    )


def _quality(share: float, covered_share: float, blur: float, scatter: float) -> float:
    """How convincing an outline's fits are, 0..1, but for what lies inside of it.

    `share` of the rays that are not covered show an edge, `blur` is the edges' spread over half of
    the window they were sought in, `scatter` how much the fits differ, as a share of the radius.
    """
    # Chance edges give outlines of which half shows.
    complete = min(1.0, share / 0.8) ** 2
    shown = min(1.0, (1.0 - covered_share) / 0.8)
    sharpness = 1.0 / (1.0 + blur**2)
    constancy = 1.0 / (1.0 + (scatter / 0.04) ** 2)
    return share * complete * shown * sharpness * constancy


def _coherence(images: list[NDArray[np.uint8]], outlines: list[FloatArray]) -> float:
    """How much more the picture inside an outline moves along with it than outside, 0..1.

    The spread of the colours over samples is small inside a plate, and larger just outside of it,
    where the background changes as the plate moves.
    """
    units = unit_vectors(48)
    inner = np.linspace(0.3, 0.93, 9)
    outer = 1.0 + max(0.04, 1.2 / mean_radius(outlines[0])) * np.arange(1, 4)
    rho = np.r_[inner, outer]
    stack = []
    for image, params in zip(images, outlines, strict=True):
        points, _ = outline_from_params(params, units)
        at = params[:2] + rho[:, None, None] * (points - params[:2])
        colour = cv2.remap(
            image,
            at[..., 0].astype(np.float32),
            at[..., 1].astype(np.float32),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        stack.append(colour.reshape(*colour.shape[:2], -1))
    values = np.asarray(stack, float)
    spread = np.abs(values - np.median(values, axis=0)).mean(axis=(0, 3))
    inside = float(np.median(spread[: len(inner)]))
    outside = float(np.median(spread[len(inner) :], axis=1).mean())
    alike = 1.0 / (1.0 + (inside / 18.0) ** 2)
    return alike * (0.4 + 0.6 * float(np.clip((outside + 1.0) / (inside + 1.0) - 1.0, 0, 1)))


def _covered(
    work: PlateSamples,
    path: ShapePath,
    order: NDArray[np.intp],
    outlines: list[FloatArray],
    units: FloatArray,
) -> NDArray[np.bool_]:
    """Rays on which something standing hides a moving outline in most of the samples.

    A plate that moves changes the picture on both sides of its edge, unless the edge is behind
    something that stands. At the ends of the movement the outer side may never change either,
    hence the vote over samples.
    """
    size = float(np.ptp(outline_from_params(outlines[0], units)[0] * work.scale, axis=0).min())
    if size < 30 or np.ptp(path.steady_xy, axis=0).max() < 0.2 * size:
        # Too few pixels to tell what lies beside an edge from the edge, or nothing moves.
        return np.zeros(len(units), bool)
    votes = [
        work.beside_still(int(path.sample[k]), *outline_from_params(params, units))
        for params, k in zip(outlines, order, strict=True)
    ]
    return np.mean(votes, axis=0) > 0.6


def worth(result: Refined) -> float:
    """Rank of sizes of one candidate; the rim outranks a lip or ring that shows as well."""
    return result.quality * mean_radius(result.params) ** 3


def measured_again(work: PlateSamples, found: Refined, config: PlateConfig) -> Refined:
    """Measure once more around a measured outline, which may have settled between two lines."""
    path, scale = found.path, float(np.sqrt(work.scale.prod()))
    at = np.flatnonzero(path.sample == found.index)[0]
    shift = found.params[:2] - work.to_image(path.image_xy[at])
    shape = TriedShape(0, np.r_[0.0, 0.0, found.params[2:] * scale])
    moved = replace(path, shape=shape, image_xy=path.image_xy + shift * work.scale)
    other = refine(work, moved, config)
    return other if other is not None and worth(other) > worth(found) else found


def _grown(work: PlateSamples, found: Refined, config: PlateConfig) -> Refined:
    """An outline completed where it is covered, and grown to the rim around it."""
    best = found
    for _ in range(4):
        whole = _completed(work, best, config)
        larger = _rim_around(work, best.path, whole, config)
        if whole is best and larger is None:
            break
        best = whole if larger is None else larger
    return best


def _backed(found: Refined, others: list[Refined]) -> Refined:
    """An outline made as sure as a smaller one about the same centre, if there is one.

    Rings of a plate share its centre; an outline that settled on one line here and on another there
    does not.
    """
    radius, aspect = mean_radius(found.params), from_params(found.params).aspect
    centre = dict(found.seen_in)
    quality = found.quality
    for other in others:
        off = [np.linalg.norm(centre[k] - xy) for k, xy in other.seen_in if k in centre]
        alike = len(off) > 1 and np.median(off) < 0.015 * radius
        alike = alike and abs(from_params(other.params).aspect - aspect) < 0.04
        if alike and mean_radius(other.params) < 0.96 * radius:
            quality = max(quality, other.quality)
    return replace(found, quality=quality)


def _completed(work: PlateSamples, cut: Refined, config: PlateConfig) -> Refined:
    """The whole outline of a plate that something standing cuts off, if it shows better.

    A plate behind an upright is taken for a slimmer one whose far side is the upright's edge.
    Outlines of several slimnesses are laid through the part that is not covered, and measured.
    """
    if cut.covered.mean() < _MIN_COVERED or len(cut.arc) < 12:
        return cut
    path, shape = cut.path, from_params(cut.params)
    turn = np.deg2rad(shape.angle_deg)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    order, centres = cut.places()
    wholes = []
    for aspect in (1.0, 0.9, 0.8, 0.65, 0.5):
        if aspect < max(config.min_aspect, shape.aspect + 0.04):
            continue
        round_arc = cut.arc @ axes.T / [1.0, aspect]
        design = np.column_stack([2 * round_arc, np.ones(len(round_arc))])
        solution, *_ = np.linalg.lstsq(design, (round_arc**2).sum(axis=1), rcond=None)
        radius = np.sqrt(max(solution[2] + solution[0] ** 2 + solution[1] ** 2, 1.0))
        if not 0.5 < radius / (shape.major_px / 2) < 1.6:
            continue
        shift = (solution[:2] * [1.0, aspect]) @ axes
        whole = Ellipse(0.0, 0.0, 2 * radius, 2 * radius * aspect, shape.angle_deg)
        found = measure_shape(work, path, order, to_params(whole), centres + shift, config)
        if found is not None:
            wholes.append(found)
    best = max(wholes, key=lambda whole: whole.quality, default=cut)
    return best if worth(best) > worth(cut) else cut


def ring_step_px(found: Refined) -> float:
    """How far apart lines about one centre are looked for."""
    return max(0.5, 0.006 * mean_radius(found.params))


def laid_over(
    work: PlateSamples, found: Refined, rho: FloatArray, slack: float, config: PlateConfig
) -> FloatArray:
    """Edge strength around an outline on the rays that nothing covers, shape (rays, len(rho)).

    The samples are laid over one another in the outline's own coordinates; behind the plate the
    picture changes and averages out, so that lines concentric to the outline are the plate's.
    `rho` are sizes as multiples of the outline, `ring_step_px` apart; a line that is off by
    `slack` of the radius is still the same line.
    """
    units = unit_vectors(config.n_rays)
    step = ring_step_px(found)
    stack = []
    for k, centre in found.seen_in:
        image = work.samples[k].image
        points, _ = outline_from_params(np.r_[centre, found.params[2:]], units)
        at = centre + rho[:, None] * (points - centre)[:, None]
        at = at.astype(np.float32)
        colour = cv2.remap(
            image, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
        )
        stack.append(colour.reshape(*colour.shape[:2], -1).astype(np.float32))
    mean = np.mean(stack, axis=0)
    slope = cv2.sepFilter2D(mean, -1, derivative(step), np.array([0.25, 0.5, 0.25])) / step
    edge = np.linalg.norm(np.atleast_3d(slope), axis=2)[~found.covered]
    reach = max(1, round(slack * mean_radius(found.params) / step))
    return np.asarray(cv2.dilate(edge, np.ones((1, 2 * reach + 1), np.uint8)))


def _rim_around(
    work: PlateSamples, path: ShapePath, inner: Refined, config: PlateConfig
) -> Refined | None:
    """The rim around a lip or ring, if there is one: the outermost line all the way round."""
    radius = mean_radius(inner.params)
    step = ring_step_px(inner)
    rho = 1.0 + np.arange(-0.12 * radius, 0.45 * radius, step) / radius
    edge = laid_over(work, inner, rho, 0.012, config)
    here = np.abs(rho - 1.0) <= max(0.02, step / radius)
    usual = float(np.median(edge[:, here].max(axis=1)))
    score = (edge / (edge + 0.5 * usual + 1.0)).mean(axis=0)
    at_outline = float(score[here].max())
    for k in np.flatnonzero(rho > 1.03)[::-1]:
        near = np.abs(rho - rho[k]) <= max(0.02, step / radius)
        ends = score[(rho > rho[k]) & (rho < rho[k] + 0.09)]
        top = score[k] >= max(score[near].max(), 0.8 * at_outline, 0.4)
        if top and len(ends) and ends.min() < 0.6 * score[k]:
            break
    else:
        return None
    plateau = rho[(np.abs(rho - rho[k]) < 0.04) & (score > 0.95 * score[k])].mean()
    # A line close outside of it may be but the plateau's shoulder: both are measured.
    outer = np.flatnonzero(score >= max(0.8 * at_outline, 0.4))[-1]
    starts = [plateau]
    if 0.03 < rho[outer] - plateau < 0.12:
        starts.append(rho[outer] - 0.012)
    order, centres = inner.places()
    rims = []
    for size in starts:
        start = inner.params * np.r_[1.0, 1.0, np.full(3, size)]
        about_one_centre = concentric(start)
        rim = measure_shape(work, path, order, start, centres, config, about_one_centre)
        if rim is None or rim.share < 0.5 * inner.share:
            continue
        off = np.abs(mean_radius(rim.params) / (size * radius) - 1.0)
        away = np.linalg.norm(rim.params[:2] - dict(inner.seen_in).get(rim.index, np.inf))
        if off < 0.03 and away < 0.03 * radius:
            rims.append(_as_sure_as(inner, rim))
    return next(iter(most_worth_first(worth, rims)), None)


def concentric(start: FloatArray) -> FloatArray:
    """Inverse covariance of outlines about one centre and of one shape, in any size near `start`.

    Seen at a slant a recessed ring is shifted against the rim, by a tenth of the radius at most.
    """
    radius = mean_radius(start)
    spread = np.r_[np.full(2, 0.003 + 0.05 * slant_sine(start)), np.full(3, 0.004)] * radius
    growth = np.r_[0.0, 0.0, 0.04 * start[2:]]
    return np.linalg.inv(np.diag(spread**2) + np.outer(growth, growth))


def _as_sure_as(inner: Refined, rim: Refined) -> Refined:
    """A rim made as sure as the ring within it, as far as the two are about one centre.

    An outline that settled on one line here and on another there is not. Seen at a slant a recessed
    ring is shifted against the rim, by a tenth of the radius at most.
    """
    radius = mean_radius(inner.params)
    centre = dict(inner.seen_in)
    gaps = [np.linalg.norm(centre[k] - xy) for k, xy in rim.seen_in if k in centre]
    apart = np.inf
    if gaps:
        apart = max(float(np.median(gaps)) / radius - 0.1 * slant_sine(inner.params), 0.0)
    trust = float(np.exp(-0.5 * (apart / 0.01) ** 2))
    return replace(rim, quality=max(rim.quality, trust * inner.quality))
