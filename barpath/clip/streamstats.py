"""What is counted while a clip is decoded: frames given, lost, doubtful and alike."""

from dataclasses import dataclass, field

import numpy as np

_MAX_TOLD_RUNS = 3


@dataclass
class StreamStats:
    """Counts that `stream` keeps up to date while its frames are taken.

    Attributes
    ----------
    n_frames
        Frames given out.
    n_undecodable
        Frames within the stretch decoded so far that were damaged or lost.
    n_duplicate
        Frames given out whose picture equals the one given out before, pixel for pixel.
    n_doubtful
        Frames given out that were predicted from damaged ones.
    undecodable
        First and last frame of each run of frames that were damaged or lost.
    resized
        Frame at which the coded picture's size first differs, with the sizes before and then (px).
    """

    n_frames: int = 0
    n_undecodable: int = 0
    n_duplicate: int = 0
    n_doubtful: int = 0
    undecodable: list[tuple[int, int]] = field(default_factory=list)
    resized: tuple[int, tuple[int, int], tuple[int, int]] | None = None

    def lost(self, first: int, last: int) -> None:
        """Count a run of frames that could not be given."""
        if last >= first:
            self.n_undecodable += last - first + 1
            self.undecodable.append((first, last))

    def sentences(self) -> list[str]:
        """What a reader of the results should know of damage in the stretch decoded.

        Examples
        --------
        >>> stats = StreamStats(n_frames=97, n_doubtful=30)
        >>> stats.lost(40, 42)
        >>> stats.sentences()
        ['The clip is damaged: 3 frames cannot be decoded (40 to 42); 30 others are built on them.']
        """
        said = []
        if self.n_undecodable or self.n_doubtful:
            runs = [str(a) if a == b else f"{a} to {b}" for a, b in self.undecodable]
            which = ", ".join(runs[:_MAX_TOLD_RUNS])
            which += ", and more" if len(runs) > _MAX_TOLD_RUNS else ""
            frames = "frame" if self.n_undecodable == 1 else "frames"
            text = f"The clip is damaged: {self.n_undecodable} {frames} cannot be decoded"
            text += f" ({which})" if runs else ""
            if self.n_doubtful:
                text += f"; {self.n_doubtful} others are built on them"
            said.append(f"{text}.")
        if self.resized is not None:
            at, (width, height), (new_width, new_height) = self.resized
            said.append(
                f"The picture's size changes at frame {at} from {width} x {height} to {new_width} x"
                f" {new_height} pixels; all frames were brought to the first size."
            )
        return said


class DuplicateCounter:
    """Counts images that equal the one before, pixel for pixel.

    Examples
    --------
    >>> counter = DuplicateCounter()
    >>> still = np.zeros((8, 8), np.uint8)
    >>> [counter.update(image) for image in (still, still.copy(), still + 1)]
    [False, True, False]
    >>> counter.count
    1
    """

    def __init__(self) -> None:
        self.count = 0
        self._previous: np.ndarray | None = None

    def update(self, image: np.ndarray) -> bool:
        """Take the next image (any shape) and tell whether it repeats the one before."""
        previous, self._previous = self._previous, image
        # The sparse comparison settles nearly every frame, so the full one is rarely paid for.
        same = (
            previous is not None
            and np.array_equal(previous[::8, ::8], image[::8, ::8])
            and np.array_equal(previous, image)
        )
        self.count += same
        return same
