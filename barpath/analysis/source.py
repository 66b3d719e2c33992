"""The clip that a result was measured from: where it lies, and whether it is still that clip."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np

from barpath.analysis.setresult import SetResult
from barpath.clip.frames import ClipInfo, probe
from barpath.errors import OptionError
from barpath.ground.files import sha256_of
from barpath.ground.names import name_on_disk, told_name


def find_clip(result: SetResult, folder: Path, given: Path | None = None) -> Path:
    """Where the clip of a result lies.

    Parameters
    ----------
    result : SetResult
    folder : Path
        The result folder.
    given : Path, optional
        The clip, if the user says; otherwise the clip's name is looked for beside the result
        folder and in the current directory.

    Returns
    -------
    Path

    Raises
    ------
    OptionError
        There is no such file.
    """
    if given is not None:
        if not given.is_file():
            raise OptionError(f"There is no clip '{given}'.")
        return given
    # The name comes from the result's own file, which need not be trusted.
    name = name_on_disk(Path(result.source_name).name)
    for place in (folder.resolve().parent, Path.cwd()):
        if name and (place / name).is_file():
            return place / name
    raise OptionError(
        f"The clip '{told_name(name)}' is neither beside the result folder nor in the current"
        " directory; say with --clip where it is."
    )


def probe_same(result: SetResult, clip: Path) -> ClipInfo:
    """Properties of the clip, which must be the one that was measured, with its lens.

    Raises
    ------
    ClipError
        It cannot be read.
    OptionError
        It is another clip.
    """
    info = probe(clip, time_scale=result.info.time_scale)
    if result.info.sha256 and sha256_of(clip) != result.info.sha256:
        raise OptionError(f"'{clip}' is not the clip that was measured: its content is another.")
    facts = ("width_px", "height_px", "n_frames")
    if any(getattr(info, fact) != getattr(result.info, fact) for fact in facts):
        raise OptionError(
            f"'{clip}' is not the clip that was measured: it has {info.n_frames} frames of"
            f" {info.width_px} x {info.height_px} pixels, not {result.info.n_frames} of"
            f" {result.info.width_px} x {result.info.height_px}."
        )
    # Results written before the clip's hash was kept: its frames' times must agree.
    times_s = result.track["time_s"].to_numpy(dtype=float)
    there = np.isin(result.track["frame"], np.arange(info.n_frames))
    known = info.times_s[result.track["frame"].to_numpy(dtype=int)[there]]
    if not there.all() or not np.allclose(times_s, known, rtol=1e-6, atol=1e-6):
        raise OptionError(
            f"'{clip}' is not the clip that was measured: its frames have other times."
        )
    return dataclasses.replace(info, sha256=result.info.sha256, lens=result.info.lens)
