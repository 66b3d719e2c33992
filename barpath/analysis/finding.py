"""The bar is found, and with it the view, in pictures of a stretch of the clip.

Few pictures, and shrunk ones, are looked at of a stretch, so that memory stays bounded; stretches
that overlap share them. Following begins at the clip's first frame with what a whole stretch tells:
so the frames up to its end are kept as they were decoded, if `AnalysisConfig.kept_bytes` can hold
them, and following goes on decoding from there. If it cannot, as in long clips of many pixels, the
clip is read once to find the bar, up to the end of that stretch, and once to follow it.
"""

import dataclasses
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from barpath.analysis.config import AnalysisConfig, pose_config
from barpath.analysis.running import Progress, quiet
from barpath.clip import cameramotion, scene
from barpath.clip.frames import ClipInfo, Frame
from barpath.clip.reading import Reading
from barpath.errors import BarNotFoundError, OptionError
from barpath.ground.view import FRONT, OBLIQUE, SIDE, View, told
from barpath.sight import barfind, barline, firstlook, plate, platefind, platetrack, pose
from barpath.sight.jointnet import SIDES, JointNetwork
from barpath.sight.lifter import BarLine

Floats = NDArray[np.float64]

SLANT_NOTE_DEG = 25.0
FRONT_SPAN = 3.95
OBLIQUE_SPAN = 1.5
LEAST_TRAVEL = 0.3
QUICK_OUTLINES = 5
# Made clips' plates are there in 0.75 of the samples and more, outlines pieced together in 0.4.
LEAST_FOLLOWED, MOST_FOLLOWED = 0.6, 16
# Seen aslant from up to some 4 m, the nearer of two plates alike looks larger at least by so much.
LEAST_NEARER = 1.15


@dataclass(frozen=True)
class Found:
    """What the search found: the view and where the tracker of that view starts.

    Without a seed the bar has no plates, and is where the hands are; `near` is then the lifter's
    end of it on the camera's side.
    """

    view: str
    view_source: str
    seed: plate.PlateSeed | barline.BarSeed | None
    near: str = ""


def find_bar(
    reading: Reading,
    config: AnalysisConfig,
    progress: Progress = quiet,
    network: JointNetwork | None = None,
) -> Found:
    """Find the bar, and with it the view, in stretches of the clip one after the other.

    Parameters
    ----------
    reading : Reading
        Of the clip, before its frames are taken.
    config : AnalysisConfig
    progress : callable, optional
    network : JointNetwork, optional
        Shows where hands and plates are; without it the bar is sought by shape and motion alone.

    Returns
    -------
    Found

    Raises
    ------
    BarNotFoundError
        When no stretch shows anything that moves like a press.
    """
    info = reading.info
    if config.plate_at_px is not None:
        x, y = config.plate_at_px
        if not (0 <= x < info.width_px and 0 <= y < info.height_px):
            raise OptionError(
                f"The point {x:g},{y:g} lies outside the picture, which is "
                f"{info.width_px} x {info.height_px} pixels."
            )
    search = config.search
    start_s = 0.0
    problem = BarNotFoundError("Nothing that moves like a press was found.")
    samples: list[Frame] = []
    while start_s < info.duration_s:
        samples = reading.sample(
            search.per_s,
            search.stretch_s,
            search.max_side_px,
            start_s=start_s,
            known=samples,
        )
        if len(samples) >= 2:
            try:
                return _find_in(_look_at(samples, info, config, network), told(config.view))
            except BarNotFoundError as error:
                problem = error
        if config.plate_at_px is not None:
            break
        # Stretches overlap, so that a set that begins at the end of one is whole in the next.
        start_s += search.stretch_s / 2
        progress("looking for the bar", min(start_s / info.duration_s, 1.0))
    raise problem


@dataclass(frozen=True)
class _Stretch:
    """Pictures of a stretch of the clip, and what the network says of them.

    Attributes
    ----------
    samples : list of Frame
        Shrunk; the clip's frames are `zoom` times as large.
    transforms : ndarray, shape (n, 2, 3)
        Their camera's motion.
    look : FirstLook or None
        Where the lifter was read often enough to rely on.
    network : JointNetwork or None
    config : AnalysisConfig
    problems : list of str
        Why a bar or plate that was sought was not found, to be added to.
    sought : dict
        What was found near the lifter, by end and whether only where one is read.
    """

    samples: list[Frame]
    transforms: Floats
    zoom: float
    look: firstlook.FirstLook | None
    network: JointNetwork | None
    config: AnalysisConfig
    problems: list[str]
    sought: dict[tuple[str, bool], list[plate.PlateSeed]] = field(default_factory=dict)

    def is_held(self, seed: plate.PlateSeed | barline.BarSeed) -> bool:
        """Whether hands are on it, as far as the network can tell."""
        if self.look is None or self.network is None:
            return True
        lines = _lines_along(seed, self.samples, self.config)
        lifter = self.config.pose.lifter
        return firstlook.held(lines, self.look, self.samples, self.network, lifter)

    def line(self, *, from_feet: bool = False) -> barline.BarSeed | None:
        """The bar with both its ends.

        Where it is known to be seen from the feet and is not found, it is sought once more along
        its line: scenery that looks like an end and stands still may have been taken for it.
        """
        ends_px, bare = None, False
        if self.look is not None:
            ends_px = self.look.bar_ends(self.transforms, self.config.barbell)
            bare = self.look.bare and ends_px is not None
        again = from_feet and ends_px is not None and not bare
        for along in (False, True) if again else (False,):
            try:
                found = barfind.find_bar(
                    self.samples,
                    self.config.bar,
                    list(self.transforms),
                    ends_px,
                    bare=bare,
                    along=along,
                )
            except BarNotFoundError as error:
                self.problems.append(str(error))
                continue
            # Any rod could be a bar without plates, or its line; hands tell.
            if not (bare or along) or self.is_held(found):
                return found
            if bare:
                sentence = "A bar without plates was found, but nobody's hands are on it."
                self.problems.append(sentence)
        return None

    def disc(self) -> plate.PlateSeed | None:
        """The plate that moves like a press: held, where the network reads a plate, and followed.

        The first that is all of this, or else, of those that are held, one that is read rather than
        not, and that is followed best; or the first of all: what moves along with the hands may be
        a sleeve or a chest, the network may be wrong, and an outline may have been pieced together
        of a plate and what is behind it.
        """
        first = None
        held: list[tuple[bool, float, plate.PlateSeed]] = []
        for found in self._discs():
            first = first or found
            if any(found is other for *_, other in held) or not self.is_held(found):
                continue
            read, share = self._is_read(found), self._followed(found)
            if read and share >= LEAST_FOLLOWED:
                return found
            held.append((read, share, found))
        return max(held, key=lambda item: item[:2])[2] if held else first

    def _followed(self, seed: plate.PlateSeed) -> float:
        """In which share of some samples the outline is there; 1 where no lifter was read."""
        if self.look is None:
            return 1.0
        some = self.samples[:: max(1, len(self.samples) // MOST_FOLLOWED)]
        tracker = platetrack.PlateTracker(seed, self.config.plate)
        return float(np.mean([tracker.update(sample)["state"] != "lost" for sample in some]))

    def _discs(self) -> Iterator[plate.PlateSeed]:
        """Round things that move like a press, sought in the likeliest places first."""
        look = self.look
        if look is not None:
            yield from self._discs_near(look)
            for end in sorted(SIDES, key=lambda side: side != look.near_end()):
                yield from self._sought(look, end)
            yield from self._sought(look, read=False)
        try:
            yield platefind.find_plate(
                self.samples, self.config.plate, self._pointed_at(), transforms=self.transforms
            )
        except BarNotFoundError as error:
            self.problems.append(str(error))
        for number, place in [] if look is None else look.plates():
            try:
                other = platefind.find_plate(
                    self.samples,
                    self.config.plate,
                    (place[0], place[1]),
                    at_sample=number,
                    transforms=self.transforms,
                )
            except BarNotFoundError:
                continue
            travel_px = np.ptp(other.path[:, 3]) if len(other.path) else 0.0
            if travel_px > LEAST_TRAVEL * other.ellipse.major_px:
                yield other

    def _discs_near(self, look: firstlook.FirstLook) -> Iterator[plate.PlateSeed]:
        """The plate near the lifter; of two alike the nearer one."""
        near = look.near_end()
        for disc in self._sought(look):
            if near and _end_of(disc, self.samples, look) not in ("", near):
                least_px = LEAST_NEARER * disc.ellipse.major_px
                for nearer in self._sought(look, near):
                    if nearer.ellipse.major_px > least_px:
                        yield nearer
            yield disc

    def _sought(
        self, look: firstlook.FirstLook, end: str = "", *, read: bool = True
    ) -> list[plate.PlateSeed]:
        """The likeliest plate near the lifter, or at one end; `read` where one is read alone."""
        if (end, read) not in self.sought:
            likely = look.reads_plate if read else None
            found = _find_near(self.samples, self.transforms, look, self.config, end, likely)
            self.sought[end, read] = [] if found is None else [found]
        return self.sought[end, read]

    def _is_read(self, seed: plate.PlateSeed) -> bool:
        """Whether it is where the network reads a plate, as far as it reads any."""
        if self.look is None:
            return True
        number = {sample.index: k for k, sample in enumerate(self.samples)}
        places = {number.get(int(row[0]), -1): row[2:4] for row in seed.path}
        return self.look.reads_plate(places, seed.ellipse.major_px / 2)

    def _pointed_at(self) -> tuple[float, float] | None:
        """Where the user pointed, in the samples' pixels."""
        if self.config.plate_at_px is None:
            return None
        x, y = (np.asarray(self.config.plate_at_px) + 0.5) / self.zoom - 0.5
        return x, y


def _look_at(
    samples: list[Frame], info: ClipInfo, config: AnalysisConfig, network: JointNetwork | None
) -> _Stretch:
    """A stretch of the clip, with what the network says of it."""
    motion = cameramotion.camera_motion(samples, config.scene)
    look = None
    if network is not None and config.plate_at_px is None:
        look = firstlook.look_over(samples, network, config.pose.lifter)
    return _Stretch(
        samples,
        scene.transforms_of(motion),
        info.width_px / samples[0].image.shape[1],
        look if look is not None and look.sure else None,
        network,
        config,
        [],
    )


def _find_in(stretch: _Stretch, asked: View | None) -> Found:
    """The bar of a stretch, in the view that was asked for or in the one that it tells."""
    given = "guessed" if asked is None else "given"
    zoom, look = stretch.zoom, stretch.look
    disc = line = None
    span = np.nan if look is None else look.span_in_limbs(stretch.config.barbell)
    # Somebody who lies across the picture is not seen from the feet, however far the plates are.
    across = look is not None and bool(look.near_end())
    only_line = asked is not None and asked.both_ends
    if only_line or (asked is None and span > FRONT_SPAN and not across):
        line = stretch.line(from_feet=True)
        if line is not None and (only_line or stretch.is_held(line)):
            return Found(FRONT.name, given, bar_seed_at(line, zoom))
        if line is None and look is not None and look.bare:
            # Seen from the feet without plates: no disc is the bar's.
            raise BarNotFoundError(stretch.problems[0])
    if not only_line:
        if look is not None and look.bare and across:
            view = asked or (OBLIQUE if span > OBLIQUE_SPAN else SIDE)
            return Found(view.name, given, None, look.near_end())
        disc = stretch.disc()
    if asked is None and _may_be_front(disc) and (across or not span > FRONT_SPAN):
        line = stretch.line()
    if asked is not None and disc is not None:
        return Found(asked.name, given, plate_seed_at(disc, zoom))
    if line is not None:
        return Found(FRONT.name, given, bar_seed_at(line, zoom))
    if disc is not None:
        slant = np.rad2deg(np.arccos(np.clip(disc.ellipse.aspect, 0.0, 1.0)))
        view = SIDE if slant < SLANT_NOTE_DEG else OBLIQUE
        return Found(view.name, given, plate_seed_at(disc, zoom))
    raise BarNotFoundError(stretch.problems[0])


def _end_of(disc: plate.PlateSeed, samples: list[Frame], look: firstlook.FirstLook) -> str:
    """The lifter's end of the bar on which a plate is, as most readings have it."""
    number = {sample.index: k for k, sample in enumerate(samples)}
    ends = [look.end_at(number.get(int(row[0]), -1), row[2:4]) for row in disc.path]
    n_left, n_right = ends.count("left"), ends.count("right")
    return "" if n_left == n_right else "left" if n_left > n_right else "right"


def _find_near(
    samples: list[Frame],
    transforms: Floats,
    look: firstlook.FirstLook,
    config: AnalysisConfig,
    end: str = "",
    likely: Callable[[Mapping[int, NDArray[np.floating]], float], bool] | None = None,
) -> plate.PlateSeed | None:
    """The likeliest plate near the lifter, or at one end, sought in that part of the picture.

    `likely`, of centres by sample and the radius, px, says what can be the plate.
    """
    height, width = samples[0].image.shape[:2]
    rows, columns = look.region(height, width, end)
    parts = [
        dataclasses.replace(one, image=np.ascontiguousarray(one.image[rows, columns]))
        for one in samples
    ]
    share = parts[0].image[..., 0].size / (height * width)
    offset = np.array([columns.start, rows.start], dtype=float)
    moved = transforms.copy()
    moved[:, :, 2] += np.einsum("nij,j->ni", moved[:, :, :2], offset) - offset
    # The same scale and the same sizes in pixels as in the whole picture.
    few = dataclasses.replace(
        config.plate,
        work_area_px=max(round(config.plate.work_area_px * share), 1),
        min_diameter_share=config.plate.min_diameter_share / np.sqrt(share),
        max_diameter_share=config.plate.max_diameter_share / np.sqrt(share),
        n_bodies=2,
        n_measured=QUICK_OUTLINES,
    )

    def likely_there(places: Mapping[int, NDArray[np.floating]], radius_px: float) -> bool:
        return likely is None or likely({k: xy + offset for k, xy in places.items()}, radius_px)

    try:
        found = platefind.find_plate(parts, few, transforms=moved, likely=likely_there)
    except BarNotFoundError:
        return None
    shape = found.ellipse
    path = found.path.copy()
    path[:, 2:4] += offset
    shape = dataclasses.replace(
        shape, x_px=shape.x_px + columns.start, y_px=shape.y_px + rows.start
    )
    return dataclasses.replace(found, ellipse=shape, path=path, candidates=())


def _lines_along(
    seed: plate.PlateSeed | barline.BarSeed, samples: list[Frame], config: AnalysisConfig
) -> dict[int, BarLine]:
    """The bar by sample, along the path on which it was found."""
    number = {sample.index: k for k, sample in enumerate(samples)}
    if isinstance(seed, plate.PlateSeed):
        shape = dataclasses.asdict(seed.ellipse)
        rows = [(row[0], shape | {"x_px": row[2], "y_px": row[3]}) for row in seed.path]
    else:
        rows = [(row["frame"], row) for row in seed.path.to_dict("records")]
    known = pose_config(config)
    shown = ((number.get(int(frame)), pose.bar_line(row, known)) for frame, row in rows)
    return {k: line for k, line in shown if k is not None and line is not None}


def _zoomed(value_px: Any, zoom: float) -> Any:
    """Image coordinate in an image `zoom` times as large, pixel centres at whole numbers."""
    return (value_px + 0.5) * zoom - 0.5


def plate_seed_at(seed: plate.PlateSeed, zoom: float) -> plate.PlateSeed:
    """Carry a plate seed found in shrunk frames over to the frames as filmed."""
    shape = seed.ellipse
    path = np.array(seed.path, dtype=float)
    path[:, 2:4] = _zoomed(path[:, 2:4], zoom)
    return dataclasses.replace(
        seed,
        ellipse=dataclasses.replace(
            shape,
            x_px=_zoomed(shape.x_px, zoom),
            y_px=_zoomed(shape.y_px, zoom),
            major_px=shape.major_px * zoom,
            minor_px=shape.minor_px * zoom,
        ),
        path=path,
        rim_edge=seed.rim_edge / zoom,
    )


def bar_seed_at(seed: barline.BarSeed, zoom: float) -> barline.BarSeed:
    """Carry a bar seed found in shrunk frames over to the frames as filmed."""
    path = seed.path.copy()
    for column in path.columns[path.columns.str.endswith("_px")]:
        path[column] = _zoomed(path[column], zoom)
    ends = {}
    for name in ("left", "right"):
        end = getattr(seed, name)
        ends[name] = dataclasses.replace(
            end,
            x_px=_zoomed(end.x_px, zoom),
            y_px=_zoomed(end.y_px, zoom),
            plate_px=end.plate_px * zoom,
            depth_px=end.depth_px * zoom,
        )
    return dataclasses.replace(
        seed,
        **ends,
        bar_px=seed.bar_px * zoom,
        width_px=round(seed.width_px * zoom),
        height_px=round(seed.height_px * zoom),
        path=path,
        patch_scale=seed.patch_scale * zoom,
    )


def _may_be_front(disc: plate.PlateSeed | None) -> bool:
    """Whether the front view should be tried: no plate, or one seen nearly from the edge."""
    return disc is None or disc.ellipse.aspect < 0.5
