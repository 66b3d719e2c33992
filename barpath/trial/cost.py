"""What an analysis costs in time and memory, as ratios measured in one run.

Machines differ and are shared, so nothing here is compared with a stopwatch's absolute figure: time
is set against a bare loop that only decodes the clip and runs the stock pose network on every
frame, and memory of a long clip against that of a short one.
"""

import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import av

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.pipeline import analyse
from barpath.clip.frames import probe, stream
from barpath.report.output import publish
from barpath.trial.stock import StockNetwork

_PEAK_MEMORY = """
import resource, sys, tempfile
from pathlib import Path
import barpath
folder = Path(tempfile.mkdtemp(dir=sys.argv[2])) / "results"
barpath.publish(barpath.analyse(sys.argv[1]), folder)
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


@dataclass(frozen=True)
class Cost:
    """Cost figures of one clip.

    Attributes
    ----------
    n_frames : int
    bare_s : float
        Decoding and the stock pose network on every frame.
    analyse_s : float
        Everything up to the measures.
    publish_s : float
        Annotated clip, report and tables.
    """

    n_frames: int
    bare_s: float
    analyse_s: float
    publish_s: float

    @property
    def ratio(self) -> float:
        """Analysis over bare loop."""
        return self.analyse_s / self.bare_s

    @property
    def ratio_with_files(self) -> float:
        """Analysis and all files over bare loop."""
        return (self.analyse_s + self.publish_s) / self.bare_s


def bare_loop_s(clip: str | Path) -> float:
    """Seconds for decoding a clip and running the stock pose network on every frame."""
    with StockNetwork(following=True, least_score=0.1) as network:
        begin = time.perf_counter()
        for frame in stream(clip):
            network.read(frame.image, frame.time_s)
        return time.perf_counter() - begin


def cost(clip: str | Path) -> Cost:
    """Measure bare loop and analysis of a clip one after the other, twice, and take the lesser.

    Parameters
    ----------
    clip : path

    Returns
    -------
    Cost
    """
    bare, analysed, published = [], [], []
    for _ in range(2):
        bare.append(bare_loop_s(clip))
        begin = time.perf_counter()
        result = analyse(clip)
        analysed.append(time.perf_counter() - begin)
        with tempfile.TemporaryDirectory() as folder:
            begin = time.perf_counter()
            publish(result, Path(folder) / "results")
            published.append(time.perf_counter() - begin)
    return Cost(probe(clip).n_frames, min(bare), min(analysed), min(published))


def repeated(clip: str | Path, target: Path, duration_s: float) -> Path:
    """Write a clip's packets again and again until a duration is reached, without encoding.

    Parameters
    ----------
    clip : path
        The clip to repeat.
    target : Path
        New file.
    duration_s : float
        At least so long.

    Returns
    -------
    Path
        `target`.
    """
    with av.open(str(target), "w") as output:
        written = None
        offset_s = 0.0
        while offset_s < duration_s:
            with av.open(str(clip)) as source:
                video = source.streams.video[0]
                written = written or output.add_stream_from_template(video)
                base = video.time_base
                if base is None:
                    raise ValueError(f"'{clip}' does not say in which unit its times are")
                shift = round(offset_s / base)
                last = 0
                for packet in source.demux(video):
                    if packet.dts is None or packet.pts is None:
                        continue
                    last = max(last, packet.pts + (packet.duration or 1))
                    packet.pts += shift
                    packet.dts += shift
                    packet.stream = written
                    output.mux(packet)
                offset_s += float(last * base)
    return target


def peak_memory_mb(clip: str | Path) -> float:
    """Peak resident memory in MB of an analysis with all files, in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        done = subprocess.run(
            [sys.executable, "-c", _PEAK_MEMORY, str(clip), folder],
            check=True,
            capture_output=True,
            text=True,
        )
    return float(done.stdout.split()[-1]) / 1024


def memory_growth(
    clip: str | Path, short_s: float = 20.0, long_s: float = 300.0
) -> tuple[float, float]:
    """Peak memory in MB for a short and a long clip made of the same frames."""
    with tempfile.TemporaryDirectory() as folder:
        peaks = [
            peak_memory_mb(repeated(clip, Path(folder) / f"{duration_s:.0f}.mp4", duration_s))
            for duration_s in (short_s, long_s)
        ]
    return peaks[0], peaks[1]


@dataclass(frozen=True)
class LengthCost:
    """What one length of a clip costs.

    Attributes
    ----------
    n_frames, n_reps : int
    processor_s : float
        Processor time of decoding and measuring, all threads together.
    wall_s : float
        Time by the clock; on a busy machine more.
    """

    n_frames: int
    n_reps: int
    processor_s: float
    wall_s: float


def time_by_length(
    clip: str | Path, times: Sequence[int] = (1, 2, 6), config: AnalysisConfig | None = None
) -> list[LengthCost]:
    """Analyse a clip and the same frames again and again, one after the other.

    Parameters
    ----------
    clip : path
    times : sequence of int
        How often the clip's frames follow one another.
    config : AnalysisConfig, optional

    Returns
    -------
    list of LengthCost
        One for each of `times`.
    """
    found = []
    duration_s = probe(clip).duration_s
    with tempfile.TemporaryDirectory() as folder:
        for n in times:
            # Just short of n times, for whole clips are written until the duration is reached.
            long = repeated(clip, Path(folder) / f"{n}.mp4", (n - 0.5) * duration_s)
            begin, used = time.perf_counter(), time.process_time()
            result = analyse(long, config=config)
            used = time.process_time() - used
            spent = time.perf_counter() - begin
            found.append(LengthCost(result.info.n_frames, len(result.reps), used, spent))
    return found


def format_time_by_length(found: Sequence[LengthCost]) -> str:
    """Put costs by length into lines of text; the last columns are ratios to the first line."""
    first = found[0]
    lines = [
        f"{'frames':>8}{'reps':>6}{'processor, ms a frame':>24}{'length':>9}{'processor time':>16}"
        f"{'time over length':>18}"
    ]
    for one in found:
        length = one.n_frames / first.n_frames
        ratio = one.processor_s / first.processor_s
        lines.append(
            f"{one.n_frames:>8}{one.n_reps:>6}{1000 * one.processor_s / one.n_frames:>24.1f}"
            f"{f'x {length:.2f}':>9}{f'x {ratio:.2f}':>16}{ratio / length:>18.2f}"
        )
    return "\n".join(lines)


def format_cost(figures: Cost) -> str:
    """Put cost figures into lines of text."""
    per_frame = 1000 / figures.n_frames
    return "\n".join(
        [
            f"frames                         {figures.n_frames}",
            f"bare loop, ms a frame          {figures.bare_s * per_frame:.1f}",
            f"analysis, ms a frame           {figures.analyse_s * per_frame:.1f}",
            f"files, ms a frame              {figures.publish_s * per_frame:.1f}",
            f"analysis / bare loop           {figures.ratio:.2f}",
            f"analysis and files / bare loop {figures.ratio_with_files:.2f}",
        ]
    )
