"""A clip read onward once, for one who looks ahead and then for one who takes every frame."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterable, Iterator
from dataclasses import replace
from typing import Self

import numpy as np
from av.video.format import VideoFormat

from barpath.clip.frames import (
    ClipInfo,
    Decoded,
    Frame,
    decode_chosen,
    evenly_spaced,
    sample,
    stream,
    to_images,
)
from barpath.clip.lens import Lens
from barpath.clip.streamstats import StreamStats


class Reading:
    """A clip whose frames are decoded once, though its beginning is looked at before.

    The frames up to the last one looked at are kept as they were decoded, which takes half as much
    memory as RGB (1.5 bytes a pixel in the usual pixel format); packing them would take longer than
    decoding them again. Where they would need more memory than is allowed none is kept, and each
    look reads the frames that it needs from the file, as `frames` then does all of them. What comes
    out is the same either way.

    Parameters
    ----------
    info : ClipInfo
    most_bytes : int
        Memory that the kept frames may take.

    Attributes
    ----------
    info : ClipInfo
        With the lens that `straighten` was told.
    stats : StreamStats
        Counts of the frames that `frames` gave; frames lost are counted when they are decoded.
    """

    def __init__(self, info: ClipInfo, most_bytes: int) -> None:
        self.info = info
        self.stats = StreamStats()
        self._most_bytes = most_bytes
        self._kept: deque[Decoded] = deque()
        self._n_bytes = 0
        self._decoded: Generator[Decoded] | None = decode_chosen(
            info, np.arange(info.n_frames), self.stats
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._close()

    def straighten(self, lens: Lens) -> None:
        """Take out from now on what a lens does to the pictures."""
        self.info = replace(self.info, lens=lens)

    def sample(
        self,
        per_s: float,
        max_s: float,
        max_side_px: int | None = None,
        *,
        start_s: float = 0.0,
        known: Iterable[Frame] = (),
    ) -> list[Frame]:
        """Look at evenly spaced frames of a stretch; see `frames.sample`."""
        wanted = evenly_spaced(self.info, per_s, max_s, start_s)
        if self._keeps(wanted):
            return list(self._look(wanted, max_side_px))
        return sample(self.info, per_s, max_s, max_side_px, start_s=start_s, known=list(known))

    def pick(self, indices: Iterable[int]) -> Iterator[Frame]:
        """Look at some frames in full size, in order."""
        wanted = sorted(set(indices))
        if self._keeps(wanted):
            return self._look(wanted, None)
        return stream(self.info, indices=wanted)

    def frames(self, max_side_px: int | None = None, *, grey: bool = False) -> Iterator[Frame]:
        """Take all frames, once; see `frames.stream`. Kept ones are let go one after the other."""
        if self._decoded is None:
            return stream(self.info, max_side_px=max_side_px, grey=grey, stats=self.stats)
        return to_images(self.info, self._onward(), max_side_px, grey, self.stats)

    def _onward(self) -> Iterator[Decoded]:
        while self._kept:
            yield self._kept.popleft()
        if self._decoded is not None:
            yield from self._decoded

    def _look(self, wanted: list[int], max_side_px: int | None) -> Iterator[Frame]:
        chosen = set(wanted)
        decoded = (one for one in self._kept if one[0] in chosen)
        return to_images(self.info, decoded, max_side_px, False, StreamStats(), wanted=bool(wanted))

    def _keeps(self, wanted: list[int]) -> bool:
        """Whether all frames up to the last one wanted are kept, which are decoded if need be."""
        if self._decoded is None:
            return False
        last = wanted[-1] if wanted else -1
        # Known beforehand in most clips, so that nothing is decoded in vain.
        if (last + 1) * _expected_bytes(self.info) > self._most_bytes:
            return self._let_go()
        while (self._kept[-1][0] if self._kept else -1) < last:
            decoded = next(self._decoded, None)
            if decoded is None:
                break
            self._kept.append(decoded)
            self._n_bytes += sum(plane.buffer_size for plane in decoded[1].planes)
            if self._n_bytes > self._most_bytes:
                return self._let_go()
        return True

    def _let_go(self) -> bool:
        """Keep nothing, so that frames are read from the file from now on; never True."""
        self._close()
        self.stats = StreamStats()
        return False

    def _close(self) -> None:
        if self._decoded is not None:
            self._decoded.close()
        self._decoded = None
        self._kept.clear()


def _expected_bytes(info: ClipInfo) -> float:
    """Memory of a decoded frame, from the size of its picture."""
    return info.width_px * info.height_px * VideoFormat(info.pixel_format).padded_bits_per_pixel / 8
