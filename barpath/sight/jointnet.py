"""The joint network: reads 21 points of a lifter under the bar from square pieces of a picture.

In: an RGB picture and the squares to look at, image px. Out: `Readings`, the points' places and
covariances in image px and px², and probabilities. The network was trained on people lying on a
bench with a bar, so it needs no detector; `lifter` says where to look.

Image coordinates have their origin at the centre of the top-left pixel, x right, y down.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any, Self

import cv2
import numpy as np
from numpy.typing import NDArray

from barpath.errors import BarpathError
from barpath.sight.pictures import smaller

Floats = NDArray[np.float64]
Image = NDArray[np.uint8]

SIDES = ("left", "right")
PAIRED = ("shoulder", "elbow", "wrist", "hand", "hip", "knee", "ankle")
BAR_PARTS = ("plate", "collar", "bar_end")
POINTS: tuple[str, ...] = (
    *(f"{side}_{joint}" for joint in PAIRED for side in SIDES),
    "head",
    *(f"{side}_{part}" for part in BAR_PARTS for side in SIDES),
)
"""What the network reads; left and right are the lifter's own. A hand is the middle of the fist on
the bar's axis, a plate the centre of the outer face of the largest one, a collar the place where
the shaft ends, a bar end the end of the sleeve."""
STATES = ("seen", "hidden", "outside")
"""A point may be seen, be in the picture behind something, or be outside of it or not there."""
WEIGHTS = "joints.onnx"
ARMS = np.arange(8)
"""Indices in `POINTS` of shoulders, elbows, wrists and hands."""
HANDS = np.array([POINTS.index("left_hand"), POINTS.index("right_hand")])


class JointNetworkError(BarpathError):
    """The joint network could not be started (exit code 1)."""


@dataclass(frozen=True)
class Square:
    """A square piece of an image, with sides along the image's own.

    Attributes
    ----------
    x_px, y_px : float
        Centre.
    size_px : float
        Length of a side.
    """

    x_px: float
    y_px: float
    size_px: float

    def matrix(self, side_px: int) -> Floats:
        """Affine map, shape (2, 3), from image pixels to pixels of a crop `side_px` wide.

        Examples
        --------
        >>> Square(10.0, 20.0, 8.0).matrix(4)[:, 2].tolist()
        [-3.5, -8.5]
        """
        scale = side_px / self.size_px
        middle = (side_px - 1) / 2
        return np.array(
            [[scale, 0.0, middle - scale * self.x_px], [0.0, scale, middle - scale * self.y_px]]
        )

    def crop(self, image: Image, side_px: int) -> Image:
        """What lies in the square, shape (side_px, side_px, 3); beyond the image its edge goes on.

        Large images are averaged over, not sampled, so that thin limbs stay whole.
        """
        matrix = self.matrix(side_px)
        shrink = int(self.size_px // side_px)
        if shrink >= 2:
            x0, y0 = (int(v) for v in np.floor([self.x_px, self.y_px] - np.full(2, self.size_px)))
            x0, y0 = max(x0, 0), max(y0, 0)
            reach = int(np.ceil(2 * self.size_px)) + 1
            piece = image[y0 : y0 + reach, x0 : x0 + reach]
            height, width = piece.shape[0] // shrink, piece.shape[1] // shrink
            if height and width:
                piece = piece[: height * shrink, : width * shrink]
                image = smaller(piece, (width, height))
                half = (shrink - 1) / 2
                matrix = matrix @ np.array(
                    [[shrink, 0, x0 + half], [0, shrink, y0 + half], [0, 0, 1.0]]
                )
        cut = cv2.warpAffine(
            image,
            matrix,
            (side_px, side_px),
            flags=cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        return np.asarray(cut, np.uint8)


@dataclass(frozen=True)
class Readings:
    """What the network read in one crop, or in several with a leading axis for them.

    Attributes
    ----------
    xy_px : ndarray, shape (..., 21, 2)
        Places of `POINTS`.
    covariance_px2 : ndarray, shape (..., 21, 2, 2)
        Their covariance; the 95 % region is the ellipse of 2.45 standard deviations.
    state : ndarray, shape (..., 21, 3)
        Probabilities of `STATES`.
    pressing : ndarray, shape (...)
        Probability that a lifter lies in the crop with the bar in the hands.
    """

    xy_px: Floats
    covariance_px2: Floats
    state: Floats
    pressing: Floats

    def __len__(self) -> int:
        return len(self.xy_px)

    def __getitem__(self, which: Any) -> Self:
        return type(self)(
            self.xy_px[which],
            self.covariance_px2[which],
            self.state[which],
            self.pressing[which],
        )

    def moved(self, matrix: Floats) -> Self:
        """The same under an affine map, shape (..., 2, 3), of the image.

        Examples
        --------
        >>> one = Readings(np.zeros((1, 2)), np.eye(2)[None], np.ones((1, 3)) / 3, np.array(1.0))
        >>> there = one.moved(np.array([[2.0, 0.0, 5.0], [0.0, 2.0, 0.0]]))
        >>> there.xy_px.tolist(), there.covariance_px2.tolist()
        ([[5.0, 0.0]], [[[4.0, 0.0], [0.0, 4.0]]])
        """
        linear, shift = matrix[..., None, :, :2], matrix[..., None, :, 2]
        xy_px = (linear @ self.xy_px[..., None])[..., 0] + shift
        covariance = linear @ self.covariance_px2 @ np.swapaxes(linear, -1, -2)
        return type(self)(xy_px, covariance, self.state, self.pressing)

    @property
    def sd_px(self) -> Floats:
        """Standard deviation of each point, both axes together as one, shape (..., 21)."""
        return np.sqrt(np.trace(self.covariance_px2, axis1=-2, axis2=-1) / 2)

    @property
    def outside(self) -> NDArray[np.bool_]:
        """Whether each point is likelier outside of the crop or not there, shape (..., 21)."""
        return np.asarray(self.state[..., STATES.index("outside")] >= 0.5)


def uncertainty_ellipse(covariance: Floats) -> tuple[Floats, Floats, Floats]:
    """Standard deviations along the axes of covariances' ellipses and how these lie.

    Parameters
    ----------
    covariance : ndarray, shape (..., 2, 2)

    Returns
    -------
    sd_major, sd_minor, angle_deg : ndarray, shape (...)
        The angle is the major axis's from +x toward +y, in [-90, 90).

    Examples
    --------
    >>> major, minor, angle = uncertainty_ellipse(np.array([[1.0, 0.0], [0.0, 9.0]]))
    >>> float(major), float(minor), float(angle)
    (3.0, 1.0, -90.0)
    """
    values, vectors = np.linalg.eigh(covariance)
    sd = np.sqrt(np.maximum(values, 0.0))
    angle = np.degrees(np.arctan2(vectors[..., 1, 1], vectors[..., 0, 1]))
    return sd[..., 1], sd[..., 0], (angle + 90.0) % 180.0 - 90.0


def weights_path() -> Path:
    """Where the network's weights lie in the package."""
    return Path(str(files("barpath").joinpath("assets", WEIGHTS)))


class JointNetwork:
    """The network, run on the processor.

    Parameters
    ----------
    path : Path, optional
        An ONNX file with the same inputs and outputs; the package's own by default.
    threads : int
        With one thread the answer does not depend on the machine's load or number of cores.

    Raises
    ------
    JointNetworkError
        There is no such file, or it is not such a network.
    """

    def __init__(self, path: Path | None = None, threads: int = 1) -> None:
        path = Path(path) if path is not None else weights_path()
        if not path.is_file():
            raise JointNetworkError(f"There is no joint network at {path}.")
        # Imported here because it is slow, and not needed where joints are not looked for.
        import onnxruntime

        options = onnxruntime.SessionOptions()
        options.intra_op_num_threads = threads
        options.inter_op_num_threads = 1
        options.execution_mode = onnxruntime.ExecutionMode.ORT_SEQUENTIAL
        options.log_severity_level = 4
        try:
            self._session = onnxruntime.InferenceSession(
                path.read_bytes(), options, providers=["CPUExecutionProvider"]
            )
            given = self._session.get_modelmeta().custom_metadata_map
        except Exception as error:
            raise JointNetworkError(f"{path} is not a usable joint network.") from error
        if tuple(given.get("points", "").split(",")) != POINTS:
            raise JointNetworkError(f"{path} is a network, but not one for the points needed here.")
        self.path = path
        self.version = given.get("version", "")
        self.side_px = int(given.get("input_px", 256))

    def look(self, images: Image) -> Readings:
        """Read crops.

        Parameters
        ----------
        images : ndarray of uint8, shape (n, side_px, side_px, 3)
            RGB.

        Returns
        -------
        Readings
            In pixels of the crops.
        """
        outputs = ["place", "covariance", "state", "pressing"]
        place, spread, state, pressing = (
            np.asarray(values, dtype=float)
            for values in self._session.run(outputs, {"image": np.ascontiguousarray(images)})
        )
        return Readings(place, spread[..., [[0, 1], [1, 2]]], state, pressing)

    def read(self, image: Image, squares: Sequence[Square]) -> Readings:
        """Read pieces of an image, one after the other.

        Parameters
        ----------
        image : ndarray of uint8, shape (H, W, 3)
            RGB.
        squares : sequence of Square

        Returns
        -------
        Readings
            In pixels of the image.
        """
        parts = [self.look(square.crop(image, self.side_px)[None]) for square in squares]
        joined = Readings(
            *(np.concatenate([getattr(part, name) for part in parts]) for name in _PARTS)
        )
        return joined.moved(
            np.array([cv2.invertAffineTransform(s.matrix(self.side_px)) for s in squares])
        )


_PARTS = ("xy_px", "covariance_px2", "state", "pressing")
