"""The stock pose network: what ours is compared with, never what the analysis rests on.

A general network that knows people who stand, walk and sit, as most tools use it: mediapipe's pose
landmarker of middle size. Tables of accuracy and cost set our figures against it. It needs the
extra `baseline` (`pip install 'barpath[baseline]'`); nothing else in the package does.
"""

import contextlib
import os
import sys
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from barpath.errors import BarpathError

JOINTS: tuple[str, ...] = tuple(
    f"{side}_{joint}"
    for joint in ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
    for side in ("left", "right")
)
"""The network's joints that ours has too; left and right are the person's own."""
_LANDMARKS = np.array([11, 12, 13, 14, 15, 16, 23, 24, 25, 26, 27, 28])
MODEL_SHA256 = "563b0638542257af9ea190a4965843ea135cce1c0a6129438fde6a85444573ad"
"""Of the model file in the package; `assets/stock_pose.txt` says where it is from."""


class StockNetworkError(BarpathError):
    """The stock pose network is not installed or could not be started (exit code 1)."""


def model_path() -> Path:
    """Where the model file lies in the package."""
    return Path(str(files("barpath").joinpath("assets", "stock_pose.task")))


class StockNetwork:
    """The stock pose network, run on the processor.

    Parameters
    ----------
    following : bool
        Follow one person through frames in order, as its makers mean it for video, instead of
        looking at each picture for itself.
    least_score : float
        Least score of a detected person.

    Raises
    ------
    StockNetworkError
        `mediapipe` is not installed, or the network could not be started.
    """

    def __init__(self, *, following: bool = False, least_score: float = 0.5) -> None:
        try:
            with _quiet_stderr():
                # Imported here because it is slow, and an extra.
                import mediapipe
                from mediapipe.tasks.python import BaseOptions, vision
        except ImportError as error:
            raise StockNetworkError(
                "The stock pose network is missing; pip install 'barpath[baseline]' brings it."
            ) from error
        mode = vision.RunningMode.VIDEO if following else vision.RunningMode.IMAGE
        options = vision.PoseLandmarkerOptions(
            base_options=BaseOptions(model_asset_buffer=model_path().read_bytes()),
            running_mode=mode,
            min_pose_detection_confidence=least_score,
        )
        self._image, self._format = mediapipe.Image, mediapipe.ImageFormat.SRGB
        self._following = following
        try:
            with _quiet_stderr():
                self._landmarker = vision.PoseLandmarker.create_from_options(options)
        except Exception as error:
            raise StockNetworkError(
                f"The stock pose network could not be started ({type(error).__name__})."
            ) from error
        self._frames_read = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def read(self, image: NDArray[np.uint8], time_s: float = 0.0) -> NDArray[np.float64] | None:
        """Joints of the person it sees first.

        Parameters
        ----------
        image : ndarray of uint8, shape (H, W, 3)
            RGB.
        time_s : float
            The frame's time, greater than the last one's; used only when `following`.

        Returns
        -------
        ndarray, shape (12, 2), or None
            Places of `JOINTS` in pixels of the image (origin at the centre of the top-left pixel,
            x right, y down); None when it sees nobody.
        """
        found = self.landmarks(image, time_s)
        return None if found is None else found[_LANDMARKS, :2]

    def landmarks(
        self, image: NDArray[np.uint8], time_s: float = 0.0
    ) -> NDArray[np.float64] | None:
        """All that it says of the person it sees first.

        Parameters
        ----------
        image : ndarray of uint8, shape (H, W, 3)
            RGB.
        time_s : float
            As for `read`.

        Returns
        -------
        ndarray, shape (33, 3), or None
            For each of the network's own landmarks x and y as `read` gives them, and its visibility
            0..1.
        """
        picture = self._image(image_format=self._format, data=np.ascontiguousarray(image))
        # It logs at its first person, not when it starts.
        with _quiet_stderr() if self._frames_read < 2 else contextlib.nullcontext():
            if self._following:
                found = self._landmarker.detect_for_video(picture, round(1000 * time_s))
            else:
                found = self._landmarker.detect(picture)
        if not found.pose_landmarks:
            return None
        self._frames_read += 1
        height, width = image.shape[:2]
        said = np.array([(p.x, p.y, p.visibility) for p in found.pose_landmarks[0]])
        return np.column_stack([said[:, :2] * [width, height] - 0.5, said[:, 2]])

    def close(self) -> None:
        """Free the network."""
        with _quiet_stderr():
            self._landmarker.close()


@contextlib.contextmanager
def _quiet_stderr() -> Iterator[None]:
    """Drop what compiled code writes to the process's standard error."""
    try:
        sys.stderr.flush()
        kept = os.dup(2)
    except OSError:
        yield
        return
    sink = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(sink, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(sink)
        os.close(kept)
