"""Settings and keys of a block's clips: what bears on what is seen in one, and on what is measured.

What was seen in a clip is kept under a key made of the clip's content, of every setting that bears
on what is seen, and of the versions; what was measured from it under a key that adds the others.
"""

from __future__ import annotations

import dataclasses
import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

from barpath.analysis import store
from barpath.analysis.config import AnalysisConfig, with_bar
from barpath.block import blockstore
from barpath.block.jobs import BlockConfig, ClipEntry, Job, Programme, SetJob, n_cores, words_of
from barpath.ground.equipment import bar_of
from barpath.ground.files import sha256_of
from barpath.ground.view import is_open
from barpath.lift.catalogue import CATALOGUE
from barpath.sight.jointnet import weights_path

CACHE_VERSION = 21
"""Part of every key: to be raised when what is seen in the same clip would come out otherwise."""
MEASURE_VERSION = 22
"""The same for what is measured from what was seen; a new measure needs no raising."""
JOIN_VERSION = 7
"""The same for what is measured from several clips of a set together."""

MEASURE_ONLY = (
    "load_kg",
    "plate_given",
    "upper_arm_m",
    "stature_m",
    "note",
    "profile",
    "corrections",
    "correcting",
    "sway",
    "bridging",
    "depths",
    "reading_error",
    "arms",
    "along",
)
"""Settings that cannot change what is seen in a clip, so that they are no part of its key."""


NO_BEARING = ("kept_bytes",)
"""Settings that can change nothing at all, so that they are part of no key."""


def configs_of(entry: ClipEntry, analysis: AnalysisConfig) -> tuple[AnalysisConfig, AnalysisConfig]:
    """Settings for looking at a clip, and for measuring what was seen.

    The first leave out all that cannot change what is seen, so that what is kept does not depend on
    the order in which options were tried. Where joints are looked for the plate's diameter stays
    in, because the size of the lifter in the picture, and so where to look, is judged by it.
    """
    calibration = analysis.calibration
    if entry.plate_mm is not None:
        calibration = dataclasses.replace(calibration, plate_mm=entry.plate_mm)
    whole = dataclasses.replace(
        analysis,
        view=analysis.view if is_open(entry.view) else entry.view,
        plate_given=entry.plate_mm is not None or analysis.plate_given,
        calibration=calibration,
        load_kg=entry.load_kg,
        corrections=entry.corrections or analysis.corrections,
        **{
            name: getattr(analysis if getattr(entry, name) is None else entry, name)
            for name in ("capture_fps", "upper_arm_m", "stature_m")
        },
    )
    if entry.bar:
        whole = with_bar(whole, bar_of(entry.bar))
    blank = with_bar(AnalysisConfig(), whole.barbell)
    ruler = calibration.plate_mm if whole.find_joints else blank.calibration.plate_mm
    seen = dataclasses.replace(
        whole,
        calibration=dataclasses.replace(whole.calibration, plate_mm=ruler),
        **{name: getattr(blank, name) for name in MEASURE_ONLY},
    )
    # Labels: no measure rests on them.
    return seen, dataclasses.replace(whole, load_kg=None, note="", profile=None)


def _key(*parts: Any) -> str:
    def plain(value: Any) -> Any:
        if isinstance(value, Mapping):
            return sorted((repr(key), plain(item)) for key, item in value.items())
        return [plain(item) for item in value] if isinstance(value, list | tuple) else value

    text = json.dumps(plain(parts), default=str)
    return hashlib.sha256(text.encode()).hexdigest()[:40]


def keys_of(
    sha256: str,
    configs: tuple[AnalysisConfig, AnalysisConfig],
    programme: Programme,
    stills: bool = True,
) -> tuple[str, str]:
    """Names under which what was seen, and what was measured, is kept.

    Parameters
    ----------
    sha256 : str
        Of the clip's content.
    configs : pair of AnalysisConfig
        For seeing and for measuring.
    programme : Programme
    stills : bool

    Returns
    -------
    tuple of str
        Both change with the clip's content, every setting that bears on it, and the versions of
        the program, of the result folder and of this cache.
    """
    from importlib.metadata import version

    seen, whole = (dataclasses.asdict(config) for config in configs)
    for name in NO_BEARING:
        del seen[name], whole[name]
    for name in MEASURE_ONLY:
        del seen[name]
    if configs[0].find_joints:
        model = configs[0].pose_model or weights_path()
        seen["pose_model"] = sha256_of(model) if model.is_file() else str(model)
    versions = [version("barpath"), version("onnxruntime"), store.SCHEMA_VERSION, CACHE_VERSION]
    detect_key = _key(sha256, seen, versions, programme.detect, stills)
    whole.pop("pose_model")
    versions = [blockstore.SCHEMA_VERSION, MEASURE_VERSION, *CATALOGUE]
    return detect_key, _key(detect_key, whole, programme.measure, versions)


def make_jobs(
    entries: Sequence[ClipEntry], config: BlockConfig
) -> tuple[dict[str, Job], dict[str, str]]:
    """Hash the clips and make a job for each that can be worked on.

    Parameters
    ----------
    entries : sequence of ClipEntry
    config : BlockConfig

    Returns
    -------
    jobs : dict of str to Job
        By the clip's name.
    failed : dict of str to str
        Why the others cannot be worked on: faulty lines, unreadable files, and clips listed twice
        or with the same content as another, which must not count twice.
    """

    def hashed(entry: ClipEntry) -> str | OSError | None:
        if entry.fault:
            return None
        try:
            return sha256_of(entry.path)
        except OSError as error:
            return error

    with ThreadPoolExecutor(n_cores()) as pool:
        hashes = list(pool.map(hashed, entries))
    jobs: dict[str, Job] = {}
    failed: dict[str, str] = {}
    first: dict[str, str] = {}
    for entry, sha256 in zip(entries, hashes, strict=True):
        if entry.name in jobs:
            failed.setdefault(f"{entry.name} (again)", "It is listed twice and counts once.")
        elif entry.fault:
            failed[entry.name] = entry.fault
        elif not isinstance(sha256, str):
            failed[entry.name] = f"It cannot be read: {words_of(sha256 or OSError())}."
        elif sha256 in first:
            failed[entry.name] = (
                f"It has the same content as '{first[sha256]}', so it is not counted again."
            )
        else:
            first[sha256] = entry.name
            configs = configs_of(entry, config.analysis)
            keys = keys_of(sha256, configs, config.programme, config.stills)
            jobs[entry.name] = Job(
                entry, sha256, *keys, *configs, None, config.stills, config.programme
            )
    return jobs, failed


def make_set_jobs(jobs: Iterable[Job]) -> tuple[list[SetJob], dict[str, str]]:
    """Make a job for each set that several clips show.

    Parameters
    ----------
    jobs : iterable of Job
        Of clips that were measured each by itself, with `detected`.

    Returns
    -------
    sets : list of SetJob
    apart : dict of str to str
        Why the clips of other sets cannot be measured together, by `set_id`.
    """
    shown: dict[str, list[Job]] = {}
    for job in jobs:
        if job.entry.pair:
            shown.setdefault(job.entry.set_id, []).append(job)
    sets, apart = [], {}
    for name, own in shown.items():
        if len(own) < 2:
            continue
        differing = [words for words, told in _told_of(own) if len(told) > 1]
        if differing:
            apart[name] = f"The lines of its clips in the sheet differ in the {differing[0]}."
            continue
        programme = own[0].programme.join
        key = _key([job.measure_key for job in own], programme, JOIN_VERSION)
        sets.append(SetJob(name, tuple(own), key))
    return sets, apart


def _told_of(jobs: Sequence[Job]) -> list[tuple[str, set[Any]]]:
    """What the sheet tells of the clips of a set, where it tells."""
    entries = [job.entry for job in jobs]
    return [
        ("technique", {entry.technique for entry in entries} - {""}),
        ("load", {entry.load_kg for entry in entries} - {None}),
        ("bar", {job.measure_config.barbell.name for job in jobs}),
    ]
