"""How little a result changes when the picture changes by less than anyone can see.

A decision that hangs on a near-tie falls one way or the other by a grey level; what is measured
does not. Each clip is analysed as it is, with every pixel changed by -1, 0 or +1 grey level at
random, and, apart from that, encoded once more.
"""

from __future__ import annotations

import multiprocessing
import os
import tempfile
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pandas as pd

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.pipeline import analyse
from barpath.clip.frames import probe, stream
from barpath.clip.writer import VideoWriter
from barpath.errors import BarpathError, ClipError, OptionError

AS_FILMED, ENCODED_AGAIN = "as filmed", "encoded again"
KEY = ["rep", "measure", "side"]
_CLOCK_HZ = 90_000


def grey_levels(seed: int) -> str:
    """Name of the change by a grey level with a seed."""
    return f"grey levels, seed {seed}"


def write_changed(clip: str | Path, target: Path, seed: int) -> Path:
    """Write a clip with every pixel's channels changed by -1, 0 or +1 at random, without loss.

    Parameters
    ----------
    clip : path
    target : Path
        New MP4 file (H.264, lossless RGB), its times those of the clip in real seconds.
    seed : int

    Returns
    -------
    Path
        `target`.
    """
    info = probe(clip)
    rng = np.random.default_rng(seed)
    clock = Fraction(1, _CLOCK_HZ)
    with av.open(str(target), "w") as output:
        video = output.add_stream("libx264rgb", rate=Fraction(info.fps).limit_denominator(1001))
        video.width, video.height, video.pix_fmt = info.width_px, info.height_px, "rgb24"
        video.options = {"qp": "0", "preset": "ultrafast"}
        video.time_base = video.codec_context.time_base = clock
        for frame in stream(info):
            noise = rng.integers(-1, 2, frame.image.shape, dtype=np.int16)
            image = np.clip(frame.image + noise, 0, 255).astype(np.uint8)
            picture = av.VideoFrame.from_ndarray(image, format="rgb24")
            picture.pts, picture.time_base = round(frame.time_s * _CLOCK_HZ), clock
            output.mux(video.encode(picture))
        output.mux(video.encode(None))
    return target


def write_encoded_again(clip: str | Path, target: Path) -> Path:
    """Write a clip's frames as the annotated clip is written: 4:2:0, a usual quality.

    Parameters
    ----------
    clip : path
    target : Path
        New MP4 file.

    Returns
    -------
    Path
        `target`.
    """
    info = probe(clip)
    with VideoWriter(target, info.width_px, info.height_px, info.fps) as writer:
        for frame in stream(info):
            writer.write(frame.image, frame.time_s)
    return target


@dataclass(frozen=True)
class Outcome:
    """What one analysis came to.

    Attributes
    ----------
    clip, change : str
        The clip's file name and what was changed.
    view : str
        Empty when the analysis failed.
    kinds : tuple of str
        Kind of each repetition.
    measures : DataFrame
        The measure table.
    problem : str
        Why there is no result; else empty.
    """

    clip: str
    change: str
    view: str
    kinds: tuple[str, ...]
    measures: pd.DataFrame
    problem: str = ""


def outcome(clip: Path, change: str, seed: int | None, config: AnalysisConfig) -> Outcome:
    """Analyse a clip changed in one way.

    Parameters
    ----------
    clip : Path
    change : str
        `AS_FILMED`, `ENCODED_AGAIN` or `grey_levels`.
    seed : int or None
        Of the change by grey levels.
    config : AnalysisConfig

    Returns
    -------
    Outcome
    """
    empty = pd.DataFrame(columns=[*KEY, "value", "u95"])
    try:
        with tempfile.TemporaryDirectory() as folder:
            # The same name everywhere, for a file's name is nothing that may decide anything.
            target = Path(folder) / "clip.mp4"
            if change == ENCODED_AGAIN:
                source = write_encoded_again(clip, target)
            else:
                source = clip if seed is None else write_changed(clip, target, seed)
            result = analyse(source, config=config)
    except BarpathError as error:
        return Outcome(clip.name, change, "", (), empty, str(error))
    table = result.measures[[*KEY, "value", "u95"]]
    return Outcome(clip.name, change, result.view, tuple(result.reps["kind"]), table)


def compared(usual: Outcome, changed: Outcome) -> dict[str, object]:
    """Compare an outcome with that of the clip as filmed.

    Parameters
    ----------
    usual, changed : Outcome

    Returns
    -------
    dict
        ``clip, change``; ``same_reps``: as many repetitions, of the same kinds, in the same view;
        ``measures``: how many the clip as filmed gives; ``within``: how many of them lie within
        that run's 95 % interval again (one that is missing now does not); ``gone`` and ``new``:
        measures that one run gives and the other does not; ``worst``: the largest change over the
        half width of the interval, and ``worst_measure``; ``problem``.
    """
    both = usual.measures.merge(changed.measures, on=KEY, how="outer", suffixes=("", "_again"))
    before, after = both["value"].notna(), both["value_again"].notna()
    off = (both["value_again"] - both["value"]).abs()
    # What has no interval, as a count, has to be the same.
    within = before & after & (off <= both["u95"].fillna(0.0) + 1e-9)
    share = (off / both["u95"].where(both["u95"] > 0)).where(before & after)
    worst = share.idxmax() if share.notna().any() else None
    named = "" if worst is None else " ".join(str(both.loc[worst, name]) for name in KEY).strip()
    return {
        "clip": usual.clip,
        "change": changed.change,
        "same_reps": not changed.problem
        and (usual.view, usual.kinds) == (changed.view, changed.kinds),
        "measures": int(before.sum()),
        "within": int(within.sum()),
        "gone": int((before & ~after).sum()),
        "new": int((after & ~before).sum()),
        "worst": float("nan") if worst is None else float(share[worst]),
        "worst_measure": named,
        "problem": changed.problem,
    }


def sample_clips() -> list[Path]:
    """The project's synthetic clips kept for reporting, in the checkout one works in.

    Raises
    ------
    OptionError
        The current folder is no checkout of the project.
    """
    found = sorted(Path("sample_clips_synthetic").glob("ql_*.mp4"))
    if not found:
        raise OptionError(
            "There is no folder sample_clips_synthetic here; name clips with --clips."
        )
    return found


def steadiness(
    clips: Sequence[str | Path],
    seeds: Sequence[int] = (1, 2, 3, 4, 5),
    workers: int = 1,
    config: AnalysisConfig | None = None,
    tell: Callable[[Outcome], None] = lambda _: None,
) -> pd.DataFrame:
    """Analyse clips as filmed and changed, and compare.

    Parameters
    ----------
    clips : sequence of path
    seeds : sequence of int
        Of the changes by grey levels.
    workers : int
        Processes, each with one thread for linear algebra.
    config : AnalysisConfig, optional
    tell : callable, optional
        Called with each outcome.

    Returns
    -------
    pandas.DataFrame
        One row a clip and change, columns as of `compared`.

    Raises
    ------
    ClipError
        A clip is not there, or not even as filmed does it give a result.
    """
    config = config or AnalysisConfig()
    paths = [Path(clip).resolve() for clip in clips]
    for path in paths:
        if not path.is_file():
            raise ClipError(f"There is no clip {path.name}.")
    changes: list[tuple[str, int | None]] = [(AS_FILMED, None)]
    changes += [(grey_levels(seed), seed) for seed in seeds]
    changes += [(ENCODED_AGAIN, None)]
    jobs = [(path, *change, config) for path in paths for change in changes]
    if workers == 1:
        outcomes = _told(map(_run, jobs), tell)
    else:
        context = multiprocessing.get_context("spawn")
        with ProcessPoolExecutor(workers, context, initializer=_one_thread) as pool:
            outcomes = _told(pool.map(_run, jobs), tell)
    rows = []
    for k in range(len(paths)):
        usual, *changed = outcomes[k * len(changes) : (k + 1) * len(changes)]
        if usual.problem:
            raise ClipError(f"{usual.clip} gives no result as it is: {usual.problem}")
        rows += [compared(usual, other) for other in changed]
    return pd.DataFrame(rows)


def _run(job: tuple[Path, str, int | None, AnalysisConfig]) -> Outcome:
    return outcome(*job)


def _one_thread() -> None:
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ[name] = "1"


def _told(outcomes: Iterable[Outcome], tell: Callable[[Outcome], None]) -> list[Outcome]:
    kept = []
    for one in outcomes:
        tell(one)
        kept.append(one)
    return kept


def format_steadiness(table: pd.DataFrame) -> str:
    """`steadiness`'s table as text, one line a clip and one for all.

    Parameters
    ----------
    table : pandas.DataFrame

    Returns
    -------
    str
    """
    grey = table["change"] != ENCODED_AGAIN
    lines = [
        "Each clip with every pixel changed by -1, 0 or +1 grey level at random"
        f" ({table.loc[grey, 'change'].nunique()} seeds), and encoded again,",
        "against the clip as it is: runs with the same view, repetitions and kinds, and the share",
        "of measures within the 95 % interval of the clip as it is.",
        "",
        f"{'':<28}{'grey levels':^24}{'encoded again':^24}{'largest change over':>21}",
        f"{'clip':<28}{'same reps':>12}{'within':>12}{'same reps':>12}{'within':>12}"
        f"{'half the interval':>21}",
    ]
    for name, part in [*table.groupby("clip", sort=False), ("all", table)]:
        cells = ""
        for rows in (part[grey.loc[part.index]], part[~grey.loc[part.index]]):
            same = f"{rows['same_reps'].sum()}/{len(rows)}"
            n = rows["measures"].sum()
            within = f"{100 * rows['within'].sum() / n:.1f} %" if n else "–"
            cells += f"{same:>12}{within:>12}"
        worst = part["worst"].max()
        lines.append(f"{name:<28}{cells}{worst:>21.2f}")
    odd = table[~table["same_reps"] | (table["gone"] > 0) | (table["new"] > 0)]
    for row in odd.itertuples():
        what = (
            row.problem
            or ("" if row.same_reps else "other repetitions, kinds or view; ")
            + f"{row.gone} measures gone, {row.new} new"
        )
        lines.append(f"{row.clip}, {row.change}: {what}")
    return "\n".join(lines)
