"""The lifter's joints in the image: supine on the bench under the bar, not the spotter's.

A pose network reads one person from a square crop in which that person is upright. Which crop it is
given decides what it reads, so most of the work here is choosing that crop. For each frame one or
several *hypotheses* are read and judged by what is known of a bench press: the wrists are on the
bar, the shoulders are under it, the limbs have the lengths of limbs, and nobody jumps from one
place to another between two frames. The network's own visibility takes only a small part in that.

The cheapest hypothesis, the region where the lifter was in the last frame, is read first. The
others are read only when it scores badly, and at intervals, so the cost stays near one reading a
frame.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Protocol, Self, runtime_checkable

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from barpath.errors import BarpathError, OptionError
from barpath.forearm import ForearmAxis, ForearmConfig, find_forearm

View = Literal["side", "front", "oblique"]
FloatArray = NDArray[np.float64]
ImageArray = NDArray[np.uint8]

_LANDMARKS: dict[str, int] = {
    "nose": 0,
    "left_ear": 7,
    "right_ear": 8,
    "left_shoulder": 11,
    "right_shoulder": 12,
    "left_elbow": 13,
    "right_elbow": 14,
    "left_wrist": 15,
    "right_wrist": 16,
    "left_index": 19,
    "right_index": 20,
    "left_hip": 23,
    "right_hip": 24,
    "left_knee": 25,
    "right_knee": 26,
    "left_ankle": 27,
    "right_ankle": 28,
}
JOINTS: tuple[str, ...] = tuple(_LANDMARKS)
"""Names of the joints in the pose table; left and right are the lifter's own."""

SKELETON: tuple[tuple[str, str], ...] = (
    ("left_shoulder", "right_shoulder"),
    ("left_hip", "right_hip"),
    *(
        (f"{side}_{a}", f"{side}_{b}")
        for side in ("left", "right")
        for a, b in (
            ("shoulder", "elbow"),
            ("elbow", "wrist"),
            ("wrist", "index"),
            ("shoulder", "hip"),
            ("hip", "knee"),
            ("knee", "ankle"),
        )
    ),
)
"""Pairs of joints that are joined by a segment of the body."""

N_LANDMARKS = 33
_SWAP = np.arange(N_LANDMARKS)
for _a, _b in [(1, 4), (2, 5), (3, 6), *((i, i + 1) for i in (7, 9, *range(11, N_LANDMARKS, 2)))]:
    _SWAP[[_a, _b]] = _b, _a
_ARM_LEFT = np.array([13, 15, 17, 19, 21])
_ARM_RIGHT = _ARM_LEFT + 1
_TRUNK = np.array([11, 12, 23, 24])


class PoseModelError(BarpathError):
    """The pose network could not be started (exit code 1)."""


@dataclass(frozen=True)
class PoseConfig:
    """Settings of the pose stage.

    Attributes
    ----------
    plate_diameter_m : float
        Diameter of the plate that the plate table follows; the ruler for distances from the bar.
        0.450 m is the largest diameter of a disc in the IPF Technical Rules Book and that of the
        larger IWF discs (figures from memory).
    bar_between_plates_m : float
        Distance between the inner faces of the two ends' plates; 1.310 m between the collars' inner
        faces in the IPF Technical Rules Book (from memory).
    detector_threshold : float
        Least score at which the detector's persons become hypotheses. The detector's usual 0.5
        drops many lifters that the network then reads well.
    threads : int
        Threads of the bundled network; its answer does not depend on them.
    accept_score : float
        Least person score at which a person is taken to be the lifter; below it joints are NaN.
    fair_score, good_score : float
        Person scores from which the whole search, and any other hypothesis, is spared.
    wrist_offset_m : float
        Distance of the wrist's centre from the axis of a gripped bar (common practice, no source).
    wrist_sd_m : float
        How far beyond that a wrist is read from the bar's line, one standard deviation.
    compare_at : tuple of int
        Asked frames, counted from 0, in which all crops kept are read and compared.
    compare_every : int
        Number of asked frames after which they are compared again.
    n_crops : int
        Crops read in every frame. Where more are read, because this is more than 1 or the first
        scores less than good, their mean is taken and their disagreement lowers confidence.
    max_crops : int
        Crops kept to be compared or to fall back on.
    usual_readings_per_frame : float
        Network readings a frame, averaged over the clip, above which other hypotheses are read only
        in frames where the lifter is not read at least fairly.
    max_readings_per_frame : float
        The same, above which only the cheap hypothesis is read in any frame.
    forget_after : int
        Frames in a row without the lifter after which the last known place counts no more.
    region_gain : float
        Share by which the followed region moves after the lifter's trunk in each frame.
    jump_window_s : float
        Half width of the time window in which a joint's jump is judged.
    joint_acceleration_m_s2 : float
        Acceleration of a joint that is usual in a press; that much of a jump is no fault.
    forearm : ForearmConfig
        How the forearms' edges are looked for in front views.
    """

    plate_diameter_m: float = 0.450
    bar_between_plates_m: float = 1.310
    detector_threshold: float = 0.1
    threads: int = 2
    accept_score: float = 0.12
    fair_score: float = 0.3
    good_score: float = 0.8
    wrist_offset_m: float = 0.06
    wrist_sd_m: float = 0.08
    compare_at: tuple[int, ...] = (0, 2, 5, 9, 16, 30)
    compare_every: int = 50
    n_crops: int = 1
    max_crops: int = 8
    usual_readings_per_frame: float = 4.0
    max_readings_per_frame: float = 6.0
    forget_after: int = 8
    region_gain: float = 0.5
    jump_window_s: float = 0.35
    joint_acceleration_m_s2: float = 3.0
    forearm: ForearmConfig = field(default_factory=ForearmConfig)


@dataclass(frozen=True)
class Landmarks:
    """One person as a network reads it.

    Attributes
    ----------
    xy_px : (33, 2) array
        Landmarks in the order of the usual 33-point body model, in pixels of the image given.
    depth : (33,) array
        Distance from the camera relative to the hips, in any unit, smaller is nearer; zeros when
        the network gives none.
    visibility : (33,) array
        The network's own visibility, 0 to 1.
    presence : float
        The network's score that there is a person at all, 0 to 1.
    network : str
        Name of the network.
    region : Region or None
        The square in which the network would look next, if it suggests one.
    """

    xy_px: FloatArray
    depth: FloatArray
    visibility: FloatArray
    presence: float
    network: str
    region: Region | None = None

    def swapped(self) -> Landmarks:
        """The same points with left and right exchanged."""
        return replace(
            self,
            xy_px=self.xy_px[_SWAP],
            depth=self.depth[_SWAP],
            visibility=self.visibility[_SWAP],
        )

    def arms_swapped(self) -> Landmarks:
        """The same points with the elbows, wrists and hands of the two arms exchanged."""
        order = np.arange(N_LANDMARKS)
        order[_ARM_LEFT], order[_ARM_RIGHT] = _ARM_RIGHT, _ARM_LEFT
        return replace(
            self,
            xy_px=self.xy_px[order],
            depth=self.depth[order],
            visibility=self.visibility[order],
        )


@dataclass(frozen=True)
class Region:
    """A square of the image, turned so that a person in it stands upright.

    Attributes
    ----------
    x_px, y_px : float
        Centre in the image.
    size_px : float
        Side of the square in image pixels.
    angle_deg : float
        Direction from the person's hips to the head, clockwise from the image's up; 90 is a person
        whose head points to the image's right.
    mirrored : bool
        Whether the crop is reflected left to right.
    """

    x_px: float
    y_px: float
    size_px: float
    angle_deg: float = 0.0
    mirrored: bool = False

    def matrix(self, side_px: int) -> FloatArray:
        """Affine map (2, 3) from image pixels to pixels of a crop of `side_px`.

        Pixel coordinates have their origin at the centre of the top-left pixel on both sides.

        Examples
        --------
        >>> Region(10.0, 20.0, 8.0).matrix(4)[:, 2].round(2).tolist()
        [-3.5, -8.5]
        """
        angle = np.radians(self.angle_deg)
        c, s = np.cos(angle), np.sin(angle)
        linear = np.array([[c, s], [-s, c]]) * (side_px / self.size_px)
        if self.mirrored:
            linear[0] *= -1.0
        shift = (side_px - 1) / 2.0 - linear @ np.array([self.x_px, self.y_px])
        return np.column_stack([linear, shift])

    def crop(self, image: ImageArray, side_px: int) -> ImageArray:
        """The upright crop (side, side, 3) of an image; black where the square leaves it."""
        matrix = self.matrix(side_px)
        shrink = int(self.size_px // side_px)
        if shrink >= 2:
            # warpAffine samples points; averaged first, thin limbs stay whole in large images.
            height, width = image.shape[0] // shrink, image.shape[1] // shrink
            image = cv2.resize(
                image[: height * shrink, : width * shrink],
                (width, height),
                interpolation=cv2.INTER_AREA,
            )
            matrix = matrix @ np.array(
                [[shrink, 0, (shrink - 1) / 2], [0, shrink, (shrink - 1) / 2], [0, 0, 1.0]]
            )
        return cv2.warpAffine(image, matrix, (side_px, side_px), flags=cv2.INTER_LINEAR)

    def to_image(self, points_px: FloatArray, side_px: int) -> FloatArray:
        """Image pixels (n, 2) of points given in pixels of the crop."""
        inverse = cv2.invertAffineTransform(self.matrix(side_px))
        return points_px @ inverse[:, :2].T + inverse[:, 2]

    def to_crop(self, points_px: FloatArray, side_px: int) -> FloatArray:
        """Crop pixels (n, 2) of points given in image pixels."""
        matrix = self.matrix(side_px)
        return points_px @ matrix[:, :2].T + matrix[:, 2]


@runtime_checkable
class PoseBackend(Protocol):
    """What the pose stage needs of a pose network.

    `persons` searches a whole picture; `person` reads the one person that stands upright in the
    middle of a square crop of side `crop_px`. Both give pixels of the image they were given.
    """

    crop_px: int

    def persons(self, image: ImageArray) -> list[Region | Landmarks]:
        """Every person found, best first: as landmarks, or as the region to read them from."""

    def person(self, crop: ImageArray) -> Landmarks | None:
        """The person in a crop (crop_px, crop_px, 3), or None."""

    def close(self) -> None:
        """Free the network."""


@contextlib.contextmanager
def _quiet_stderr() -> Iterator[None]:
    """Drop what compiled code writes to the process's standard error while a network starts."""
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


_LANDMARK_GRAPH = """
input_stream: "image"
output_stream: "landmarks"
output_stream: "presence"
node {
  calculator: "ImageToTensorCalculator"
  input_stream: "IMAGE:image"
  output_stream: "TENSORS:input"
  options { [mediapipe.ImageToTensorCalculatorOptions.ext] {
    output_tensor_width: 256 output_tensor_height: 256 keep_aspect_ratio: true
    output_tensor_float_range { min: 0 max: 1 } } }
}
node {
  calculator: "InferenceCalculatorCpu"
  input_stream: "TENSORS:input"
  output_stream: "TENSORS:output"
  options { [mediapipe.InferenceCalculatorOptions.ext] {
    model_path: "mediapipe/modules/pose_landmark/pose_landmark_full.tflite"
    delegate { xnnpack { num_threads: %(threads)d } } } }
}
node {
  calculator: "SplitTensorVectorCalculator"
  input_stream: "output"
  output_stream: "landmark_tensor"
  output_stream: "flag_tensor"
  output_stream: "heatmap_tensor"
  options { [mediapipe.SplitVectorCalculatorOptions.ext] {
    ranges { begin: 0 end: 1 } ranges { begin: 1 end: 2 } ranges { begin: 3 end: 4 } } }
}
node {
  calculator: "TensorsToFloatsCalculator"
  input_stream: "TENSORS:flag_tensor"
  output_stream: "FLOAT:presence"
}
node {
  calculator: "TensorsToLandmarksCalculator"
  input_stream: "TENSORS:landmark_tensor"
  output_stream: "NORM_LANDMARKS:raw"
  options { [mediapipe.TensorsToLandmarksCalculatorOptions.ext] {
    num_landmarks: 39 input_image_width: 256 input_image_height: 256
    visibility_activation: SIGMOID presence_activation: SIGMOID } }
}
node {
  calculator: "RefineLandmarksFromHeatmapCalculator"
  input_stream: "NORM_LANDMARKS:raw"
  input_stream: "TENSORS:heatmap_tensor"
  output_stream: "NORM_LANDMARKS:landmarks"
  options { [mediapipe.RefineLandmarksFromHeatmapCalculatorOptions.ext] { kernel_size: 7 } }
}
"""

_DETECTOR_GRAPH = """
input_stream: "image"
output_stream: "detections"
node {
  calculator: "ImageToTensorCalculator"
  input_stream: "IMAGE:image"
  output_stream: "TENSORS:input"
  output_stream: "LETTERBOX_PADDING:padding"
  options { [mediapipe.ImageToTensorCalculatorOptions.ext] {
    output_tensor_width: 224 output_tensor_height: 224 keep_aspect_ratio: true
    output_tensor_float_range { min: -1 max: 1 } border_mode: BORDER_ZERO } }
}
node {
  calculator: "SsdAnchorsCalculator"
  output_side_packet: "anchors"
  options { [mediapipe.SsdAnchorsCalculatorOptions.ext] {
    input_size_width: 224 input_size_height: 224 min_scale: 0.1484375 max_scale: 0.75
    anchor_offset_x: 0.5 anchor_offset_y: 0.5 num_layers: 5
    strides: 8 strides: 16 strides: 32 strides: 32 strides: 32
    aspect_ratios: 1 fixed_anchor_size: true } }
}
node {
  calculator: "InferenceCalculatorCpu"
  input_stream: "TENSORS:input"
  output_stream: "TENSORS:output"
  options { [mediapipe.InferenceCalculatorOptions.ext] {
    model_path: "mediapipe/modules/pose_detection/pose_detection.tflite"
    delegate { xnnpack { num_threads: %(threads)d } } } }
}
node {
  calculator: "TensorsToDetectionsCalculator"
  input_stream: "TENSORS:output"
  input_side_packet: "ANCHORS:anchors"
  output_stream: "DETECTIONS:all"
  options { [mediapipe.TensorsToDetectionsCalculatorOptions.ext] {
    num_classes: 1 num_boxes: 2254 num_coords: 12 x_scale: 224 y_scale: 224 w_scale: 224
    h_scale: 224 keypoint_coord_offset: 4 num_keypoints: 4 num_values_per_keypoint: 2
    box_coord_offset: 0 reverse_output_order: true sigmoid_score: true
    score_clipping_thresh: 100 min_score_thresh: %(threshold).3f } }
}
node {
  calculator: "NonMaxSuppressionCalculator"
  input_stream: "all"
  output_stream: "kept"
  options { [mediapipe.NonMaxSuppressionCalculatorOptions.ext] {
    min_suppression_threshold: 0.3 overlap_type: INTERSECTION_OVER_UNION algorithm: WEIGHTED } }
}
node {
  calculator: "DetectionLetterboxRemovalCalculator"
  input_stream: "DETECTIONS:kept"
  input_stream: "LETTERBOX_PADDING:padding"
  output_stream: "DETECTIONS:detections"
}
"""


class _Graph:
    """A running MediaPipe graph with one image stream in."""

    def __init__(self, text: str, outputs: Sequence[str]) -> None:
        # Imported here because it is slow, and not needed without pose.
        import mediapipe
        from google.protobuf import text_format
        from mediapipe.calculators.util import (  # noqa: F401  (registers its options)
            refine_landmarks_from_heatmap_calculator_pb2,
        )
        from mediapipe.framework import calculator_pb2
        from mediapipe.python import packet_creator
        from mediapipe.python._framework_bindings import calculator_graph, resource_util
        from mediapipe.python._framework_bindings.image_frame import ImageFormat

        resource_util.set_resource_dir(str(Path(mediapipe.__file__).parents[1]))
        config = text_format.Parse(text, calculator_pb2.CalculatorGraphConfig())
        self._graph = calculator_graph.CalculatorGraph(graph_config=config)
        self._packets: dict[str, Any] = {}
        for name in outputs:
            self._graph.observe_output_stream(name, self._packets.__setitem__)
        self._graph.start_run()
        self._create = packet_creator.create_image_frame
        self._format = ImageFormat.SRGB
        self._timestamp = 0

    def __call__(self, image: ImageArray) -> dict[str, Any]:
        self._packets.clear()
        self._timestamp += 1
        packet = self._create(image_format=self._format, data=np.ascontiguousarray(image))
        self._graph.add_packet_to_input_stream("image", packet.at(self._timestamp))
        self._graph.wait_until_idle()
        return dict(self._packets)

    def close(self) -> None:
        self._graph.close()


class BundledBackend:
    """The detector and landmark network that come inside the mediapipe wheel.

    The wheel's ready-made solution returns one person only, from a crop of its own choice. Its two
    networks are therefore run as two graphs: the detector gives every person it sees, and the
    landmark network reads the crop it is given.

    Parameters
    ----------
    detector_threshold : float
        Least score of a detected person.
    threads : int
        Threads for each of the two networks.

    Raises
    ------
    PoseModelError
        If the networks cannot be started.
    """

    crop_px = 256
    network = "mediapipe-full"

    def __init__(self, detector_threshold: float = 0.1, threads: int = 2) -> None:
        try:
            with _quiet_stderr():
                settings = {"threshold": detector_threshold, "threads": threads}
                self._landmarks = _Graph(_LANDMARK_GRAPH % settings, ("landmarks", "presence"))
                self._detector = _Graph(_DETECTOR_GRAPH % settings, ("detections",))
                # The first run logs as well.
                blank = np.zeros((self.crop_px, self.crop_px, 3), np.uint8)
                self._landmarks(blank)
                self._detector(blank)
        except Exception as error:
            raise PoseModelError(
                f"The pose network of mediapipe could not be started ({type(error).__name__})."
            ) from error

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def persons(self, image: ImageArray) -> list[Region | Landmarks]:
        """Regions of every person the detector sees, best first."""
        packet = self._detector(image).get("detections")
        if packet is None:
            return []
        from mediapipe.python import packet_getter

        height, width = image.shape[:2]
        found = sorted(packet_getter.get_proto_list(packet), key=lambda d: -d.score[0])
        regions: list[Region | Landmarks] = []
        for detection in found:
            hips, edge = (
                np.array([point.x * width, point.y * height]) - 0.5
                for point in detection.location_data.relative_keypoints[:2]
            )
            regions.append(_region_between(hips, edge))
        return regions

    def person(self, crop: ImageArray) -> Landmarks | None:
        """The person in a crop of 256 x 256 pixels."""
        from mediapipe.python import packet_getter

        packets = self._landmarks(crop)
        if "landmarks" not in packets:
            return None
        points = packet_getter.get_proto(packets["landmarks"]).landmark
        xyz = np.array([[p.x, p.y, p.z] for p in points]) * self.crop_px
        xy = xyz[:, :2] - 0.5
        return Landmarks(
            xy_px=xy[:N_LANDMARKS],
            depth=xyz[:N_LANDMARKS, 2],
            visibility=np.array([p.visibility for p in points[:N_LANDMARKS]]),
            presence=float(packet_getter.get_float(packets["presence"])),
            network=self.network,
            # Points 33 and 34 are the network's own centre and rim for the next crop.
            region=_region_between(xy[33], xy[34]),
        )

    def close(self) -> None:
        """Stop both graphs."""
        self._landmarks.close()
        self._detector.close()


class TaskBackend:
    """A user's own pose landmarker file (`.task`), read with mediapipe's task interface.

    Parameters
    ----------
    path : Path
        The model file.
    max_persons : int
        Most persons looked for in a picture.

    Raises
    ------
    OptionError
        If the file does not exist or is not a pose landmarker.
    """

    crop_px = 384

    def __init__(self, path: Path, max_persons: int = 4) -> None:
        path = Path(path)
        if not path.is_file():
            raise OptionError(f"There is no pose model file at {path}.")
        with _quiet_stderr():
            import mediapipe as mp
            from mediapipe.tasks.python import BaseOptions, vision

            self._image = mp.Image
            self._format = mp.ImageFormat.SRGB
            options = vision.PoseLandmarkerOptions(
                base_options=BaseOptions(model_asset_buffer=path.read_bytes()),
                running_mode=vision.RunningMode.IMAGE,
                num_poses=max_persons,
                min_pose_detection_confidence=0.1,
                min_pose_presence_confidence=0.1,
            )
            try:
                self._landmarker = vision.PoseLandmarker.create_from_options(options)
            except Exception as error:
                raise OptionError(f"{path} is not a usable pose landmarker file.") from error
        self.network = path.name

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def _read(self, image: ImageArray) -> list[Landmarks]:
        height, width = image.shape[:2]
        picture = self._image(image_format=self._format, data=np.ascontiguousarray(image))
        # It logs at its first person, not when it starts.
        with _quiet_stderr():
            found = self._landmarker.detect(picture).pose_landmarks
        persons = []
        for points in found:
            xyz = np.array([[p.x * width, p.y * height, p.z * width] for p in points])
            visibility = np.array([p.visibility for p in points])
            persons.append(
                Landmarks(
                    xy_px=xyz[:, :2] - 0.5,
                    depth=xyz[:, 2],
                    visibility=visibility,
                    presence=float(np.mean([p.presence for p in points])),
                    network=self.network,
                )
            )
        return persons

    def persons(self, image: ImageArray) -> list[Region | Landmarks]:
        """Every person found in the picture."""
        return list(self._read(image))

    def person(self, crop: ImageArray) -> Landmarks | None:
        """The person whose hips are nearest to the middle of the crop, or None."""
        found = self._read(crop)
        middle = (np.array(crop.shape[1::-1]) - 1) / 2
        return min(
            found,
            key=lambda p: float(np.hypot(*(p.xy_px[[23, 24]].mean(axis=0) - middle))),
            default=None,
        )

    def close(self) -> None:
        """Free the model."""
        self._landmarker.close()


def _region_between(centre_px: FloatArray, rim_px: FloatArray, margin: float = 1.25) -> Region:
    """Square around a circle given by its centre (the hips) and the rim point above the head."""
    dx, dy = rim_px - centre_px
    return Region(
        float(centre_px[0]),
        float(centre_px[1]),
        max(2.0 * margin * float(np.hypot(dx, dy)), 8.0),
        float(np.degrees(np.arctan2(dx, -dy))),
    )


def region_of(landmarks: Landmarks) -> Region:
    """Where to look for a person next: what the network suggests, or a square around all joints.

    Parameters
    ----------
    landmarks : Landmarks
        A person in image pixels.

    Returns
    -------
    Region
        Centred on the hips, upright along hips to shoulders.
    """
    if landmarks.region is not None:
        return landmarks.region
    hips = landmarks.xy_px[[23, 24]].mean(axis=0)
    shoulders = landmarks.xy_px[[11, 12]].mean(axis=0)
    reach = float(np.hypot(*(landmarks.xy_px - hips).T).max())
    trunk = shoulders - hips
    length = max(float(np.hypot(*trunk)), 1e-6)
    return _region_between(hips, hips + trunk * (reach / length))


@dataclass(frozen=True)
class BarHint:
    """What is known of the bar in one frame, in image pixels.

    Attributes
    ----------
    point_px : (2,) array
        A point on the bar's axis: the plate's centre, or the middle between both ends.
    axis : (2,) array
        Unit vector of the bar's axis in the image, pointing to the image's right.
    before_px, after_px : float
        How far along the axis, against it and with it, a hand can be from the point.
    m_per_px : float
        Metres per pixel at the bar.
    plate : tuple or None
        Ellipse `(x_px, y_px, major_px, minor_px, angle_deg)` of a plate that can hide joints.
    axis_sd_rad : float
        Standard uncertainty of the axis's direction; distances within it do not count.
    """

    point_px: FloatArray
    axis: FloatArray
    before_px: float
    after_px: float
    m_per_px: float
    plate: tuple[float, float, float, float, float] | None = None
    axis_sd_rad: float = 0.0

    def distance_m(self, points_px: FloatArray) -> FloatArray:
        """Distance in metres (n,) of points (n, 2) from the part of the axis where hands can be.

        Examples
        --------
        >>> hint = BarHint(np.zeros(2), np.array([1.0, 0.0]), 10.0, 10.0, 0.01)
        >>> hint.distance_m(np.array([[5.0, 3.0], [14.0, 3.0]])).round(3).tolist()
        [0.03, 0.05]
        """
        offset = np.atleast_2d(points_px) - self.point_px
        along = offset @ self.axis
        across = offset @ np.array([-self.axis[1], self.axis[0]])
        beyond = np.maximum(0.0, np.maximum(along - self.after_px, -along - self.before_px))
        unsure = self.axis_sd_rad * np.abs(along)
        return np.hypot(np.maximum(np.abs(across) - unsure, 0.0), beyond) * self.m_per_px

    def below_m(self, points_px: FloatArray) -> FloatArray:
        """How far (n,) points lie below the bar's line in the image, in metres; negative above."""
        offset = np.atleast_2d(points_px) - self.point_px
        slope = self.axis[1] / self.axis[0] if abs(self.axis[0]) > 0.5 else 0.0
        along = np.clip(offset[:, 0], -self.before_px, self.after_px)
        return (offset[:, 1] - slope * along) * self.m_per_px

    def hidden(self, points_px: FloatArray) -> NDArray[np.bool_]:
        """Whether points (n, 2) lie inside the plate's outline and so may be hidden by it."""
        points = np.atleast_2d(points_px)
        if self.plate is None:
            return np.zeros(len(points), bool)
        x, y, major, minor, angle = self.plate
        c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
        u = (points - [x, y]) @ np.array([c, s]) / (major / 2)
        v = (points - [x, y]) @ np.array([-s, c]) / (minor / 2)
        return u**2 + v**2 < 1.0


def bar_hint(row: pd.Series | dict[str, float], config: PoseConfig | None = None) -> BarHint | None:
    """What one row of the plate table or the bar table says of the bar; None when it was lost.

    Parameters
    ----------
    row : Series or dict
        A row of the plate table (`x_px, y_px, major_px, minor_px, angle_deg`) or of the bar table
        (`image_left_x_px, …, image_right_y_px`); which one is seen from its columns.
    config : PoseConfig, optional
        Gives the plate's diameter and the bar's length.

    Returns
    -------
    BarHint or None
        For a plate, the bar's axis is taken along the ellipse's minor axis, on which the normal of
        a disc is projected under weak perspective; the hands lie within the bar's length,
        foreshortened by sqrt(1 - (minor/major)^2), to either side.
    """
    config = config or PoseConfig()
    if "image_left_x_px" in row:
        ends = np.array(
            [[row[f"image_{side}_{axis}_px"] for axis in "xy"] for side in ("left", "right")],
            float,
        )
        span = float(np.hypot(*(ends[1] - ends[0])))
        if not np.isfinite(span) or span < 4.0:
            return None
        return BarHint(
            ends.mean(axis=0),
            (ends[1] - ends[0]) / span,
            span / 2,
            span / 2,
            config.bar_between_plates_m / span,
        )
    values = [float(row[name]) for name in ("x_px", "y_px", "major_px", "minor_px", "angle_deg")]
    if not np.all(np.isfinite(values)) or values[2] < 4.0:
        return None
    x, y, major, minor, angle = values
    normal = np.radians(angle + 90.0)
    axis = np.array([np.cos(normal), np.sin(normal)])
    if axis[0] < 0:
        axis = -axis
    foreshortening = np.sqrt(max(0.0, 1.0 - (minor / major) ** 2))
    m_per_px = config.plate_diameter_m / major
    # A fifth more and 0.1 m, since the ellipse gives the foreshortening roughly and perspective
    # moves what is farther away.
    reach = (1.2 * config.bar_between_plates_m * foreshortening + 0.1) / m_per_px
    plate = (x, y, major, max(minor, 1.0), angle)
    return BarHint(np.array([x, y]), axis, reach, reach, m_per_px, plate, axis_sd_rad=0.08)


def line_hint(
    line_px: FloatArray, m_per_px: float | None = None, config: PoseConfig | None = None
) -> BarHint:
    """A bar given by two points on its axis, for a single picture.

    Parameters
    ----------
    line_px : (2, 2) array
        Two points between which the hands are; when they coincide, a bar seen end-on.
    m_per_px : float, optional
        Metres per pixel. By default the points are taken to be the inner faces of the plates.
    config : PoseConfig, optional
        Gives the length of the bar between the plates.

    Raises
    ------
    OptionError
        If the scale can be had from neither.
    """
    config = config or PoseConfig()
    line = np.asarray(line_px, float)
    line = line[np.argsort(line[:, 0], kind="stable")]
    span = float(np.hypot(*(line[1] - line[0])))
    if m_per_px is None:
        if span < 4.0:
            raise OptionError("A bar seen end-on needs its scale in metres per pixel.")
        m_per_px = config.bar_between_plates_m / span
    axis = (line[1] - line[0]) / span if span > 0 else np.array([1.0, 0.0])
    half = span / 2 if span >= 4.0 else 0.08 / m_per_px
    return BarHint(line.mean(axis=0), axis, half, half, m_per_px)


def _near(value: float | FloatArray, sd: float, floor: float = 0.03) -> Any:
    """1 at zero, falling like a normal density to `floor`, which keeps one bad term from ruling."""
    return floor + (1.0 - floor) * np.exp(-0.5 * (np.maximum(value, 0.0) / sd) ** 2)


def person_score(
    landmarks: Landmarks,
    view: View,
    hint: BarHint | None = None,
    previous_px: FloatArray | None = None,
    config: PoseConfig | None = None,
) -> float:
    """How well a person fits a lifter on the bench who holds the bar, 0 to 1.

    Parameters
    ----------
    landmarks : Landmarks
        A person in image pixels.
    view : {"side", "front", "oblique"}
        Where the camera stands.
    hint : BarHint, optional
        The bar in this frame.
    previous_px : (33, 2) array, optional
        The lifter's landmarks in the frame before.
    config : PoseConfig, optional
        Tolerances.

    Returns
    -------
    float
        Product of soft terms, each 1 where the person fits: the network's presence; trunk not
        standing; hands not hanging below the shoulders, forearms standing; and with a bar: wrists
        on it and apart, shoulders not above it, limbs no longer than limbs; and with a previous
        frame: trunk where it was.

    Notes
    -----
    The lengths used as upper limits (upper arm 0.42 m, forearm 0.36 m, trunk 0.75 m from hip to
    shoulder) lie above the 95th percentile of adult men's segment lengths as derived from stature
    by Drillis and Contini (0.186, 0.146 and 0.288 of stature; from memory).
    """
    config = config or PoseConfig()
    xy = landmarks.xy_px
    if not np.all(np.isfinite(xy)):
        return 0.0
    shoulders, hips = xy[[11, 12]].mean(axis=0), xy[[23, 24]].mean(axis=0)
    wrists = xy[[15, 16]]
    trunk = shoulders - hips
    trunk_px = max(float(np.hypot(*trunk)), 1.0)
    width_px = float(np.hypot(*(xy[11] - xy[12])))

    score = 0.25 + 0.75 * float(np.clip(landmarks.presence, 0.0, 1.0))
    upright = -trunk[1] / trunk_px
    if view == "side":
        score *= _near(abs(upright) - 0.6, 0.2, 0.1)
        # Both shoulders and both hips lie nearly on one line of sight.
        pairs_px = np.hypot(*(xy[[11, 23]] - xy[[12, 24]]).T)
        score *= float(np.prod(_near(pairs_px / trunk_px - 0.25, 0.15, 0.2)))
    elif upright > 0.8:
        # From the feet the trunk is foreshortened; standing it is longer than the shoulders' width.
        score *= _near(trunk_px / max(width_px, 1.0) - 1.2, 0.4, 0.25)
    for elbow, wrist in ((13, 15), (14, 16)):
        fore = xy[elbow] - xy[wrist]
        # The forearm stands under the bar; it tilts, but does not hang.
        score *= _near(0.4 - fore[1] / max(float(np.hypot(*fore)), 0.1 * trunk_px), 0.5, 0.3)
    score *= _near((wrists[:, 1].mean() - shoulders[1]) / trunk_px - 0.35, 0.3, 0.15)

    if hint is not None:
        scale = hint.m_per_px
        fits = _near(hint.distance_m(wrists) - config.wrist_offset_m, config.wrist_sd_m, 0.1)
        score *= float(np.sqrt(fits[0] * fits[1]))
        if view == "front":
            # Both forearms stand in the bar's vertical plane, so they are seen equally long.
            fore_px = np.hypot(*(xy[[13, 14]] - xy[[15, 16]]).T)
            uneven = 1.0 - float(fore_px.min() / max(float(fore_px.max()), 1.0))
            score *= _near(uneven - 0.15, 0.2, 0.4)
            apart = abs(float((wrists[0] - wrists[1]) @ hint.axis)) * scale
            score *= _near(0.30 - apart, 0.08, 0.1) * _near(apart - 1.1, 0.1, 0.1)
        # From a high camera the bar on the chest is seen a little below the shoulders.
        score *= _near(-float(hint.below_m(shoulders)[0]) - 0.20, 0.10)
        score *= _near(trunk_px * scale - 0.75, 0.12, 0.1)
        for shoulder, elbow, wrist in ((11, 13, 15), (12, 14, 16)):
            upper = float(np.hypot(*(xy[shoulder] - xy[elbow]))) * scale
            fore = float(np.hypot(*(xy[elbow] - xy[wrist]))) * scale
            score *= _near(upper - 0.42, 0.1, 0.2) * _near(fore - 0.36, 0.1, 0.2)
            score *= _near(0.12 - upper - fore, 0.05, 0.3)
    if previous_px is not None:
        moved = float(np.median(np.hypot(*(xy[_TRUNK] - previous_px[_TRUNK]).T)))
        moved *= hint.m_per_px if hint is not None else 0.5 / trunk_px
        score *= _near(moved - 0.05, 0.15, 0.1)
    return float(score)


def fix_sides(
    landmarks: Landmarks,
    view: View,
    hint: BarHint | None = None,
    previous_px: FloatArray | None = None,
) -> Landmarks:
    """Put the lifter's left and right where they belong, for the whole person and for the arms.

    Parameters
    ----------
    landmarks : Landmarks
        The lifter in image pixels as the network named the sides.
    view : {"side", "front", "oblique"}
        Where the camera stands.
    hint : BarHint, optional
        The bar; its axis says what is left and right along it.
    previous_px : (33, 2) array, optional
        The lifter in the frame before, for arms that overlap.

    Returns
    -------
    Landmarks
        The same points, with names exchanged where needed.

    Notes
    -----
    For a supine person left = (toward the head) x (up). With the head away from the camera, left
    is at the image's right; with the head to the image's right, left is the near side. The camera
    looks down on the bench or along it, so the head is away when the hips are lower in the image
    than the shoulders.
    """
    xy = landmarks.xy_px
    trunk = xy[[11, 12]].mean(axis=0) - xy[[23, 24]].mean(axis=0)
    trunk_px = max(float(np.hypot(*trunk)), 1.0)
    axis = hint.axis if hint is not None else np.array([1.0, 0.0])
    if view == "side":
        depth = landmarks.depth
        nearer_left = (depth[[12, 24]].mean() - depth[[11, 23]].mean()) / trunk_px
        if nearer_left * np.sign(trunk[0]) < -0.1:
            landmarks = landmarks.swapped()
        if previous_px is not None:
            arms = np.concatenate([_ARM_LEFT, _ARM_RIGHT])
            other = landmarks.arms_swapped()
            stay = np.hypot(*(landmarks.xy_px[arms] - previous_px[arms]).T).sum()
            swap = np.hypot(*(other.xy_px[arms] - previous_px[arms]).T).sum()
            if swap < 0.6 * stay:
                landmarks = other
        return landmarks
    away = 1.0 if trunk[1] < 0.25 * trunk_px else -1.0
    body = float((xy[[11, 23]].sum(axis=0) - xy[[12, 24]].sum(axis=0)) @ axis) * away
    if body < -0.1 * trunk_px:
        landmarks = landmarks.swapped()
    xy = landmarks.xy_px
    hands = float((xy[15] - xy[16]) @ axis) * away
    elbows = float((xy[13] - xy[14]) @ axis) * away
    if hands < 0 and hands + elbows < -0.1 * trunk_px:
        landmarks = landmarks.arms_swapped()
    return landmarks


@dataclass(eq=False)
class _Reading:
    landmarks: Landmarks
    score: float
    variant: str
    masked: bool
    region: Region
    crop: _Crop | None = None


@dataclass(eq=False)
class _Crop:
    """A crop that moves with the lifter's trunk, and how well it has read compared with others."""

    region: Region
    masked: bool
    offset_px: FloatArray
    merit_sum: float = 0.0
    n_compared: int = 0

    @property
    def merit(self) -> float:
        """Mean merit, drawn toward a middling one while it was compared only a few times."""
        return (self.merit_sum + 0.5) / (self.n_compared + 1.0)

    def like(self, region: Region, masked: bool) -> bool:
        """Whether another crop would show nearly the same."""
        own = self.region
        turn = (own.angle_deg - region.angle_deg + 180.0) % 360.0 - 180.0
        off = np.hypot(own.x_px - region.x_px, own.y_px - region.y_px) / own.size_px
        return bool(
            masked == self.masked
            and region.mirrored == own.mirrored
            and off < 0.06
            and abs(turn) < 7.0
            and abs(np.log(own.size_px / region.size_px)) < 0.1
        )


@dataclass
class _Row:
    frame: int
    time_s: float
    hint: BarHint | None
    score: float = 0.0
    variant: str = ""
    landmarks: Landmarks | None = None
    spread_m: FloatArray | None = None
    forearms: dict[str, ForearmAxis | None] = field(default_factory=dict)


_TURNS = {90: cv2.ROTATE_90_CLOCKWISE, -90: cv2.ROTATE_90_COUNTERCLOCKWISE, 180: cv2.ROTATE_180}


def turn_back(points_px: FloatArray, turned_deg: int, shape: tuple[int, ...]) -> FloatArray:
    """Pixels of the unturned image for points (n, 2) in an image turned clockwise.

    Parameters
    ----------
    points_px : (n, 2) array
        Points in the turned image.
    turned_deg : {90, -90, 180}
        Clockwise turn that was applied.
    shape : tuple
        Shape of the unturned image, rows first.

    Examples
    --------
    >>> turn_back(np.array([[0.0, 0.0]]), 90, (4, 6)).tolist()
    [[0.0, 3.0]]
    """
    height, width = shape[:2]
    x, y = np.asarray(points_px, float).T
    if turned_deg == 90:
        return np.column_stack([y, height - 1 - x])
    if turned_deg == -90:
        return np.column_stack([width - 1 - y, x])
    return np.column_stack([width - 1 - x, height - 1 - y])


def hide_above_bar(image: ImageArray, hint: BarHint, margin_m: float = 0.12) -> ImageArray:
    """Grey out what lies above the bar's line: a spotter's head and trunk, never the lifter's arms.

    Parameters
    ----------
    image : (H, W, 3) array
        The picture.
    hint : BarHint
        The bar.
    margin_m : float
        Height above the line that is kept, for the hands.
    """
    height, width = image.shape[:2]
    slope = hint.axis[1] / hint.axis[0] if abs(hint.axis[0]) > 0.5 else 0.0
    margin = margin_m / hint.m_per_px
    if hint.plate is not None:
        margin = max(margin, hint.plate[2] / 2)
    left = hint.point_px[1] - slope * hint.point_px[0] - margin
    right = left + slope * (width - 1)
    polygon = np.array([[-1, -1], [width, -1], [width, right], [-1, left]]).round()
    polygon[:, 1] = np.clip(polygon[:, 1], -1, height)
    return cv2.fillPoly(image.copy(), [polygon.astype(np.int32)], (128, 128, 128))


class PoseEstimator:
    """Reads the lifter frame by frame; `update` each asked frame in order, then `table`.

    Parameters
    ----------
    view : {"side", "front", "oblique"}
        Where the camera stands.
    config : PoseConfig, optional
        Settings.
    backend : PoseBackend, optional
        The network; by default the bundled one, started at the first frame and closed with this.

    Raises
    ------
    OptionError
        If the view is unknown.
    """

    def __init__(
        self, view: View, config: PoseConfig | None = None, backend: PoseBackend | None = None
    ) -> None:
        if view not in ("side", "front", "oblique"):
            raise OptionError(f"The view is side, front or oblique, not {view!r}.")
        self.view: View = view
        self.config = config or PoseConfig()
        self.n_readings = 0
        self._backend = backend
        self._owns_backend = backend is None
        self._rows: list[_Row] = []
        self._crops: list[_Crop] = []
        self._previous_px: FloatArray | None = None
        self._misses = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Free the network if it was started here."""
        if self._owns_backend and self._backend is not None:
            self._backend.close()
            self._backend = None

    @property
    def backend(self) -> PoseBackend:
        """The network, started when first needed."""
        if self._backend is None:
            self._backend = BundledBackend(self.config.detector_threshold, self.config.threads)
        return self._backend

    def _read(
        self, image: ImageArray, region: Region, hint: BarHint | None, variant: str, masked: bool
    ) -> _Reading | None:
        side = self.backend.crop_px
        self.n_readings += 1
        person = self.backend.person(region.crop(image, side))
        if person is None:
            return None
        suggested = None
        if person.region is not None:
            inner = person.region
            angle = np.radians(inner.angle_deg)
            up = np.array([np.sin(angle), -np.cos(angle)]) * inner.size_px / 2
            centre = np.array([inner.x_px, inner.y_px])
            ends = region.to_image(np.array([centre, centre + up]), side)
            suggested = _region_between(ends[0], ends[1], margin=1.0)
        person = replace(person, xy_px=region.to_image(person.xy_px, side), region=suggested)
        if region.mirrored:
            person = person.swapped()
        return self._judge(person, region, hint, variant, masked)

    def _judge(
        self, person: Landmarks, region: Region, hint: BarHint | None, variant: str, masked: bool
    ) -> _Reading:
        person = fix_sides(person, self.view, hint, self._previous_px)
        score = person_score(person, self.view, hint, self._previous_px, self.config)
        return _Reading(person, score, variant, masked, region)

    def _searched(
        self, image: ImageArray, hint: BarHint | None, variant: str, masked: bool, turn: int = 0
    ) -> Iterator[_Reading]:
        """Readings of every person the detector finds in a picture, turned or not."""
        self.n_readings += 1
        picture = cv2.rotate(image, _TURNS[turn]) if turn else image
        for found in self.backend.persons(picture)[:4]:
            if isinstance(found, Landmarks):
                xy = turn_back(found.xy_px, turn, image.shape) if turn else found.xy_px
                person = replace(found, xy_px=xy, region=None)
                region = region_of(person)
                yield self._judge(person, region, hint, variant, masked)
            else:
                region = found
                if turn:
                    x, y = turn_back(np.array([[found.x_px, found.y_px]]), turn, image.shape)[0]
                    region = replace(
                        found, x_px=float(x), y_px=float(y), angle_deg=found.angle_deg - turn
                    )
            reading = self._read(image, region, hint, variant, masked)
            if reading is None:
                continue
            yield reading
            if reading.score > 0.02:
                again = self._read(image, region_of(reading.landmarks), hint, variant, masked)
                if again is not None:
                    yield again

    def _from_bar(self, hint: BarHint) -> list[Region]:
        """Regions where a lifter under this bar can be; sizes of a body with its legs drawn in."""
        m = 1.0 / hint.m_per_px
        x, y = hint.point_px
        if self.view == "front":
            return [
                Region(x, y + 0.6 * m, size * m, angle)
                for size in (2.4, 2.9)
                for angle in (-12.0, 0.0, 12.0)
            ]
        if self.view == "side":
            return [
                Region(x - toward * 0.55 * m, y + drop * m, 1.9 * m, toward * 90.0)
                for toward in (1, -1)
                for drop in (0.25, 0.55)
            ]
        return [
            Region(x + dx * m, y + 0.5 * m, 2.4 * m, angle)
            for dx, angle in ((-0.7, 0.0), (-0.7, -30.0), (-0.7, 70.0), (0.7, 0.0), (0.7, -70.0))
        ]

    def _stages(
        self, image: ImageArray, hint: BarHint | None
    ) -> Iterator[tuple[int, Iterable[_Reading | None]]]:
        """Hypotheses with the stage they belong to, cheapest and likeliest first.

        Stage 1 are the crops followed so far, 2 are changes of them, 3 is the whole search.
        """
        hidden = hide_above_bar(image, hint) if hint is not None else None

        # Generators, so that what is not wanted any more is not read.
        def read(
            region: Region, masked: bool, variant: str = "crop", crop: _Crop | None = None
        ) -> Iterator[_Reading | None]:
            picture = hidden if masked and hidden is not None else image
            reading = self._read(picture, region, hint, variant, masked and hidden is not None)
            if reading is not None:
                reading.crop = crop
            yield reading

        for rank, crop in enumerate(list(self._crops)):
            stage = 1 if rank < self.config.n_crops else 2
            yield stage, read(crop.region, crop.masked, crop=crop)
        guesses = self._from_bar(hint) if hint is not None else []
        if self.view == "front":
            for guess in guesses:
                yield 3, read(guess, True, "bar_crop")
        yield 3, self._searched(image, hint, "plain", False)
        if hidden is not None:
            yield 3, self._searched(hidden, hint, "plain", True)
        for turn in (90, -90) if self.view == "side" else (180,):
            yield 3, self._searched(image, hint, f"turned_{turn}", False, turn)
        if self.view != "front":
            for guess in guesses:
                yield 3, read(guess, True, "bar_crop")

    def update(
        self, index: int, time_s: float, image: ImageArray, hint: BarHint | None = None
    ) -> None:
        """Read the lifter in the next asked frame.

        Parameters
        ----------
        index : int
            Frame number.
        time_s : float
            Its time.
        image : (H, W, 3) uint8 array
            RGB picture.
        hint : BarHint, optional
            The bar in it.
        """
        config = self.config
        n_rows = len(self._rows)
        row = _Row(index, time_s, hint)
        self._rows.append(row)
        compare = n_rows in config.compare_at or n_rows % config.compare_every == 0
        counted = max(n_rows, 20)
        well_within = self.n_readings < config.usual_readings_per_frame * counted
        within = self.n_readings < config.max_readings_per_frame * counted
        # Searching every frame of a stretch without the lifter would cost the most where nothing
        # is to be had, so the pauses between searches double.
        pausing = self._misses > 0 and self._misses & (self._misses - 1) != 0
        readings: list[_Reading] = []
        for stage, group in self._stages(image, hint):
            best_score = max((reading.score for reading in readings), default=0.0)
            if stage == 3 and n_rows and best_score >= config.fair_score:
                break
            if stage > 1:
                affordable = well_within if best_score >= config.fair_score else within
                if n_rows and (pausing or not affordable):
                    break
                if not compare and best_score >= config.good_score:
                    break
            readings += [reading for reading in group if reading is not None]
        best = max(readings, key=lambda reading: reading.score, default=None)
        row.score = best.score if best is not None else 0.0
        if best is None or best.score < config.accept_score:
            self._misses += 1
            if self._misses > config.forget_after:
                self._previous_px = None
            return
        self._misses = 0
        row.landmarks, row.spread_m = _blend(readings, hint)
        row.variant = best.variant + ("_mirrored" if best.region.mirrored else "")
        row.variant += "_masked" if best.masked else ""
        if self.view == "front" and hint is not None:
            row.forearms = front_forearms(image, row.landmarks, hint, config.forearm)
        self._previous_px = row.landmarks.xy_px
        self._follow(row.landmarks)
        if len(readings) > config.n_crops:
            self._compare(readings, row.landmarks)

    def _follow(self, lifter: Landmarks) -> None:
        """Move the crops with the lifter's trunk."""
        middle = lifter.xy_px[_TRUNK].mean(axis=0)
        for crop in self._crops:
            old = np.array([crop.region.x_px, crop.region.y_px])
            new = old + self.config.region_gain * (middle + crop.offset_px - old)
            crop.region = replace(crop.region, x_px=float(new[0]), y_px=float(new[1]))

    def _compare(self, readings: list[_Reading], lifter: Landmarks) -> None:
        """Note which crops read well in this frame; the best so far are followed.

        A reading's merit is its score as a share of the frame's best, less what its arms are off
        from those on which all good readings agree.
        """
        best_score = max(reading.score for reading in readings)
        arms = np.arange(11, 17)
        middle = lifter.xy_px[_TRUNK].mean(axis=0)
        trunk = lifter.xy_px[[11, 12]].mean(axis=0) - lifter.xy_px[[23, 24]].mean(axis=0)
        unit = 0.3 * max(float(np.hypot(*trunk)), 1.0)
        for reading in readings:
            off = float(np.hypot(*(reading.landmarks.xy_px[arms] - lifter.xy_px[arms]).T).mean())
            merit = reading.score / best_score * float(np.exp(-off / unit))
            crop = reading.crop
            if crop is None:
                region = reading.region
                alike = (c for c in self._crops if c.like(region, reading.masked))
                crop = next(alike, None)
                if crop is not None or merit < 0.5:
                    continue
                offset = np.array([region.x_px, region.y_px]) - middle
                crop = _Crop(region, reading.masked, offset)
                self._crops.append(crop)
            crop.merit_sum += merit
            crop.n_compared += 1
        self._crops.sort(key=lambda crop: -crop.merit)
        del self._crops[self.config.max_crops :]

    def table(self) -> pd.DataFrame:
        """The pose table of the frames read so far, one row each."""
        return _table(self._rows, self.view, self.config)


def front_forearms(
    image: ImageArray,
    landmarks: Landmarks,
    hint: BarHint,
    config: ForearmConfig | None = None,
) -> dict[str, ForearmAxis | None]:
    """Both forearms' middle lines in a front view.

    Parameters
    ----------
    image : (H, W, 3) uint8 array
    landmarks : Landmarks
        The lifter's joints in it.
    hint : BarHint
        The bar in it.
    config : ForearmConfig, optional

    Returns
    -------
    dict
        By the lifter's `left` and `right`: the hand to the image's right is the left one.
    """
    hands, wrists = landmarks.xy_px[[19, 20]], landmarks.xy_px[[15, 16]]
    along = (hands - hint.point_px) @ hint.axis
    out: dict[str, ForearmAxis | None] = {}
    for side, k in (("left", int(np.argmax(along))), ("right", int(np.argmin(along)))):
        outward = hint.axis if side == "left" else -hint.axis
        hand = hint.point_px + along[k] * hint.axis
        wrist_m = float((wrists[k] - hand) @ outward * hint.m_per_px)
        out[side] = find_forearm(image, hand, outward, 1 / hint.m_per_px, wrist_m, config)
    return out


def _blend(readings: list[_Reading], hint: BarHint | None) -> tuple[Landmarks, FloatArray]:
    """Mean of the readings that agree, weighted by their scores, and their spread in metres (33,).

    Readings from crops of other sizes and turns err in other ways, so their mean errs less, and
    where they disagree neither is to be trusted. The spread is NaN for a single reading.
    """
    best = max(readings, key=lambda reading: reading.score)
    usable = [reading for reading in readings if reading.score >= 0.5 * best.score]
    xy = np.array([reading.landmarks.xy_px for reading in usable])
    trunk = best.landmarks.xy_px[[11, 12]].mean(axis=0) - best.landmarks.xy_px[[23, 24]].mean(
        axis=0
    )
    m_per_px = hint.m_per_px if hint is not None else 0.5 / max(float(np.hypot(*trunk)), 1.0)
    middle = np.median(xy, axis=0) if len(usable) > 2 else best.landmarks.xy_px
    apart_m = np.linalg.norm(xy - middle, axis=2) * m_per_px
    weight = np.array([reading.score for reading in usable])[:, None] * (apart_m < 0.12)
    empty = weight.sum(axis=0) == 0
    weight[:, empty] = 1.0
    mean = np.average(xy, axis=0, weights=np.repeat(weight[:, :, None], 2, axis=2))
    spread = np.linalg.norm(xy - mean, axis=2).mean(axis=0) * m_per_px
    if len(usable) == 1:
        spread = np.full(N_LANDMARKS, np.nan)
    return replace(best.landmarks, xy_px=mean), spread


def _table(rows: list[_Row], view: View, config: PoseConfig) -> pd.DataFrame:
    """Pose table with each joint's confidence from this frame and its neighbours in time."""
    n = len(rows)
    xy = np.full((n, N_LANDMARKS, 2), np.nan)
    confidence = np.zeros((n, N_LANDMARKS))
    m_per_px = np.full(n, np.nan)
    for i, row in enumerate(rows):
        if row.landmarks is None:
            continue
        points = row.landmarks.xy_px
        xy[i] = points
        trunk = points[[11, 12]].mean(axis=0) - points[[23, 24]].mean(axis=0)
        m_per_px[i] = 0.5 / max(float(np.hypot(*trunk)), 1.0)
        confidence[i] = np.sqrt(np.clip(row.landmarks.visibility, 0.0, 1.0))
        confidence[i] *= np.clip(row.score / config.good_score, 0.0, 1.0) ** 0.5
        if row.spread_m is not None:
            confidence[i] *= _near(np.nan_to_num(row.spread_m, nan=0.03), 0.06, 0.1)
        if row.hint is None:
            continue
        m_per_px[i] = row.hint.m_per_px
        confidence[i, [15, 16]] *= _near(
            row.hint.distance_m(points[[15, 16]]) - config.wrist_offset_m, config.wrist_sd_m
        )
        confidence[i, row.hint.hidden(points)] *= 0.4
    times = np.array([row.time_s for row in rows])
    jump_m, half_span_s = _jump(times, xy * m_per_px[:, None, None], config)
    confidence *= _near(jump_m, 0.06 + 0.5 * config.joint_acceleration_m_s2 * half_span_s**2, 0.1)
    confidence *= _limb_fit(xy * m_per_px[:, None, None])
    if view == "front":
        confidence[:, [13, 14]] *= _forearm_fit(xy * m_per_px[:, None, None])
    confidence[:, [11, 12]] *= _shoulder_fit(xy * m_per_px[:, None, None])
    found = np.array([row.landmarks is not None for row in rows], bool)
    confidence = np.where(found[:, None], np.nan_to_num(confidence), 0.0)

    columns: dict[str, Any] = {
        "frame": np.array([row.frame for row in rows], int),
        "time_s": times.astype(float),
    }
    for name, k in _LANDMARKS.items():
        columns[f"{name}_x_px"] = xy[:, k, 0]
        columns[f"{name}_y_px"] = xy[:, k, 1]
        columns[f"{name}_confidence"] = confidence[:, k]
    if view == "front":
        columns |= _forearm_columns(rows)
    columns["person_score"] = np.array([row.score for row in rows], float)
    columns["variant"] = [row.variant for row in rows]
    return pd.DataFrame(columns)


def _forearm_columns(rows: list[_Row]) -> dict[str, FloatArray]:
    columns: dict[str, FloatArray] = {}
    for side in ("left", "right"):
        found = [row.forearms.get(side) for row in rows]
        for part in ("upper", "lower", "tip"):
            points = [np.full(2, np.nan) if f is None else getattr(f, f"{part}_px") for f in found]
            for axis, values in zip("xy", np.reshape(points, (-1, 2)).T, strict=True):
                columns[f"{side}_forearm_{part}_{axis}_px"] = values
        score = np.array([0.0 if f is None else f.score for f in found])
        columns[f"{side}_forearm_confidence"] = np.clip(score / 2, 0.0, 1.0)
    return columns


def points_in(table: pd.DataFrame) -> list[str]:
    """Names of a table's points with their trailing underscore, as `calibrate.steady` takes them.

    Examples
    --------
    >>> points_in(pd.DataFrame(columns=["frame", "nose_x_px", "nose_y_px", "nose_confidence"]))
    ['nose_']
    """
    return [name.removesuffix("x_px") for name in table.columns if name.endswith("_x_px")]


def _jump(
    times_s: FloatArray, xy_m: FloatArray, config: PoseConfig
) -> tuple[FloatArray, FloatArray]:
    """How far (n, joints) a joint is from where its neighbours in time put it; 0 when unknown.

    The nearer pair of neighbours and the next one are tried and the smaller distance counts, so a
    single bad neighbour does not blame a good frame. The second array, same shape, is half the
    time between the neighbours used.
    """
    n = len(times_s)
    jump = np.full(xy_m.shape[:2], np.inf)
    half = np.zeros(xy_m.shape[:2])
    for k in (1, 2):
        if n <= 2 * k:
            continue
        before, middle, after = xy_m[: -2 * k], xy_m[k:-k], xy_m[2 * k :]
        span = times_s[2 * k :] - times_s[: -2 * k]
        share = ((times_s[k:-k] - times_s[: -2 * k]) / span)[:, None, None]
        apart = np.linalg.norm(middle - before - share * (after - before), axis=2)
        apart[span > 2 * config.jump_window_s] = np.inf
        nearer = apart < jump[k:-k]
        jump[k:-k] = np.where(nearer, apart, jump[k:-k])
        half[k:-k] = np.where(nearer, span[:, None] / 2, half[k:-k])
    return np.where(np.isfinite(jump), jump, 0.0), half


def _limb_fit(xy_m: FloatArray) -> FloatArray:
    """Factor 0..1 for each joint (n, joints): arm segments longer than they are in the set.

    A segment's image is shortened when it points at the camera, never lengthened, so only lengths
    beyond the set's upper quartile speak against a joint.
    """
    fit = np.ones(xy_m.shape[:2])
    if len(xy_m) < 5:
        return fit
    for chain in ((11, 13, 15), (12, 14, 16)):
        for a, b in pairwise(chain):
            length = np.hypot(*(xy_m[:, a] - xy_m[:, b]).T)
            if not np.any(np.isfinite(length)):
                continue
            usual = np.nanpercentile(length, 75)
            factor = np.nan_to_num(_near(length - 1.1 * usual, 0.05, 0.15), nan=1.0)
            fit[:, a] *= np.sqrt(factor)
            fit[:, b] *= factor
    return fit


def _forearm_fit(xy_m: FloatArray) -> FloatArray:
    """Factor 0..1 for both elbows (n, 2) in a front view, from forearms seen too short.

    The forearms stand in the bar's vertical plane, so their image keeps its length; one seen
    shorter than both usually are in the set has its elbow read too high.
    """
    length = np.linalg.norm(xy_m[:, [13, 14]] - xy_m[:, [15, 16]], axis=2)
    if np.all(np.isnan(length)):
        return np.ones_like(length)
    usual = np.nanpercentile(length, 75)
    return np.nan_to_num(_near(0.85 - length / usual, 0.15, 0.15), nan=1.0)


def _shoulder_fit(xy_m: FloatArray) -> FloatArray:
    """Factor 0..1 for both shoulders (n, 2): on the bench they stay in place from the hips."""
    if len(xy_m) < 5:
        return np.ones((len(xy_m), 2))
    offset = xy_m[:, [11, 12]] - xy_m[:, [23, 24]].mean(axis=1, keepdims=True)
    if np.all(np.isnan(offset)):
        return np.ones((len(xy_m), 2))
    away = np.linalg.norm(offset - np.nanmedian(offset, axis=0), axis=2)
    return np.nan_to_num(_near(away - 0.04, 0.06, 0.15), nan=1.0)


def estimate_pose(
    frames: Iterable[Any],
    bar: pd.DataFrame | None,
    view: View,
    config: PoseConfig | None = None,
    backend: PoseBackend | None = None,
) -> pd.DataFrame:
    """Joints of the lifter in the frames asked for.

    Parameters
    ----------
    frames : iterable of Frame
        Objects with `index`, `time_s` and `image` (RGB), in order of time; only those asked for.
        They are read once and not kept.
    bar : DataFrame or None
        The plate table (side, oblique) or the bar table (front), matched by `frame`.
    view : {"side", "front", "oblique"}
        Where the camera stands.
    config : PoseConfig, optional
        Settings.
    backend : PoseBackend, optional
        The network; by default the bundled one.

    Returns
    -------
    DataFrame
        The pose table: one row a frame with each joint of `JOINTS` in image pixels and its
        confidence, `person_score` and `variant`. Where the lifter was not found the joints are NaN.

    Raises
    ------
    OptionError
        If the view is unknown.
    PoseModelError
        If the bundled network cannot be started.
    """
    config = config or PoseConfig()
    hints: dict[int, BarHint | None] = {}
    if bar is not None:
        hints = {int(row["frame"]): bar_hint(row, config) for row in bar.to_dict("records")}
    with PoseEstimator(view, config, backend) as estimator:
        for frame in frames:
            estimator.update(frame.index, frame.time_s, frame.image, hints.get(frame.index))
        return estimator.table()


def estimate_pose_image(
    image: ImageArray,
    view: View = "oblique",
    hint: BarHint | None = None,
    config: PoseConfig | None = None,
    backend: PoseBackend | None = None,
) -> pd.DataFrame:
    """Joints of the lifter in a single picture, with or without knowledge of the bar.

    Parameters
    ----------
    image : (H, W, 3) uint8 array
        RGB picture.
    view : {"side", "front", "oblique"}
        Where the camera stands.
    hint : BarHint, optional
        The bar, from `bar_hint` or `line_hint`.
    config : PoseConfig, optional
        Settings.
    backend : PoseBackend, optional
        The network; by default the bundled one.

    Returns
    -------
    DataFrame
        Pose table of one row.
    """
    with PoseEstimator(view, config, backend) as estimator:
        estimator.update(0, 0.0, image, hint)
        return estimator.table()
