"""What an analysis costs in time and memory, as ratios measured in one run.

Machines differ and are shared, so nothing here is compared with a stopwatch's absolute figure: time
is set against a bare loop that only decodes the clip and runs the stock pose network on every
frame, and memory of a long clip against that of a short one.
"""

import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

import av

from barpath.frames import probe, stream
from barpath.output import publish
from barpath.pipeline import analyse
from barpath.stock import StockNetwork

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
                shift = round(offset_s / base)
                last = 0
                for packet in source.demux(video):
                    if packet.dts is None:
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
