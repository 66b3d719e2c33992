"""Made images of a moving plate with exactly known truth, for tests and accuracy figures.

The scenes are invented: a textured background, uprights, spare plates, bobbing heads and a
passer-by, drawn from random numbers. Nothing here is used when a clip is analysed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

from barpath.sight.ellipse import (
    Ellipse,
    from_params,
    outline_from_params,
    outline_matrix,
    to_params,
    unit_vectors,
)

FloatArray = NDArray[np.floating]
Image = NDArray[np.uint8]

_SUPERSAMPLING = 3
_BLUR_STEPS = 6
_WORLD_MARGIN_PX = 40


@dataclass(frozen=True)
class MadeFrame:
    """One made frame; has the fields of a decoded frame.

    Parameters
    ----------
    index : int
    time_s : float
    image : ndarray of uint8, shape (H, W, 3), RGB
    """

    index: int
    time_s: float
    image: Image


@dataclass(frozen=True)
class PlateScene:
    """What a made plate clip shows.

    Parameters
    ----------
    width_px, height_px, fps, n_frames
        Size, frame rate and length of the clip.
    major_px, aspect, angle_deg
        The plate's outline: full major axis, minor over major axis, angle of the major axis.
    size_growth : float
        Relative growth of the plate's image between top and bottom of the movement.
    travel_px : float
        Height of the movement.
    drift_px : float
        Horizontal drift between top and bottom.
    rep_s, n_reps, lead_s
        Duration of a repetition, how many, and how long the plate rests before the first.
    exposure_share : float
        Exposure as a share of the frame interval; gives the motion blur.
    noise_sd : float
        Standard deviation of the sensor noise, grey levels.
    jpeg_quality : int
        Quality of the JPEG pass that stands for a video codec's loss; 0 for none.
    light_change : float
        Relative amplitude of a slow change of the light.
    hidden_share : float
        Share of the outline that the occluder hides where it hides most.
    occluder : str
        ``"none"``, ``"upright"`` (stands before the plate all the time) or ``"passer"`` (a person
        walks past in front).
    n_distractors : int
        Spare plates standing in the background, one of them behind the moving plate's path.
    n_heads : int
        Bobbing heads.
    shake_px : float
        Standard deviation of the camera's shake.
    spin_deg_s : float
        Rotation of the plate about its axis.
    face_level : float
        Grey level of the plate's face; dark plates are the common case.
    seed : int
        Seed of everything random.
    """

    width_px: int = 640
    height_px: int = 360
    fps: float = 30.0
    n_frames: int = 90
    major_px: float = 110.0
    aspect: float = 1.0
    angle_deg: float = -90.0
    size_growth: float = 0.0
    travel_px: float = 80.0
    drift_px: float = 12.0
    rep_s: float = 2.4
    n_reps: int = 1
    lead_s: float = 0.3
    exposure_share: float = 0.4
    noise_sd: float = 3.0
    jpeg_quality: int = 85
    light_change: float = 0.05
    hidden_share: float = 0.0
    occluder: str = "none"
    n_distractors: int = 3
    n_heads: int = 0
    shake_px: float = 0.0
    spin_deg_s: float = 20.0
    face_level: float = 45.0
    seed: int = 0


def press_height(
    time_s: ArrayLike,
    *,
    start_s: float = 0.3,
    descent_s: float = 1.0,
    pause_s: float = 0.3,
    drive_s: float = 0.8,
    rest_s: float = 0.3,
    n_reps: int = 1,
) -> FloatArray:
    """Made bar height over time: 1 at lockout, 0 on the chest.

    Each repetition is a minimum-jerk descent, a pause, and a minimum-jerk drive whose middle is
    slowed, as a sticking region does.

    Parameters
    ----------
    time_s : array_like, shape (n,)
    start_s, descent_s, pause_s, drive_s, rest_s : float
        Rest before the first repetition, the phases, and the rest after each repetition.
    n_reps : int

    Returns
    -------
    ndarray, shape (n,)

    References
    ----------
    Flash, T., Hogan, N. (1985). The coordination of arm movements. J Neurosci 5(7), 1688-1703
    (minimum-jerk polynomial).

    Examples
    --------
    >>> press_height([0.0, 1.4, 9.0])
    array([1., 0., 1.])
    """
    time_s = np.asarray(time_s, dtype=float)
    height = np.ones_like(time_s)
    for rep in range(n_reps):
        begin = start_s + rep * (descent_s + pause_s + drive_s + rest_s)
        down = np.clip((time_s - begin) / descent_s, 0, 1)
        up = np.clip((time_s - begin - descent_s - pause_s) / drive_s, 0, 1)
        up = up - 0.05 * np.sin(2 * np.pi * up) ** 2 * np.sin(np.pi * up)
        height += _minimum_jerk(up) - _minimum_jerk(down)
    return height


def _minimum_jerk(share: FloatArray) -> FloatArray:
    return share**3 * (10 - 15 * share + 6 * share**2)


class _Painter:
    """Paints one scene; keeps the textures so that each frame is cheap."""

    def __init__(self, scene: PlateScene) -> None:
        self.scene = scene
        self.rng = np.random.default_rng(scene.seed)
        s = scene
        self.duration_s = s.n_frames / s.fps
        self.phases = np.array([0.42, 0.1, 0.36, 0.12]) * s.rep_s
        self.middle = np.array([0.5 * s.width_px, 0.5 * s.height_px])
        self.middle += self.rng.uniform(-0.05, 0.05, 2) * (s.width_px, s.height_px)
        self.texture = plate_texture(s.major_px, s.face_level, self.rng)
        self.shake = self._shake_path()
        self.hide_side = self.rng.choice([-1.0, 1.0])
        self.world = self._paint_world()
        self.head_phase = self.rng.uniform(0, 2 * np.pi, (max(s.n_heads, 1), 2))

    def params_at(self, time_s: float) -> FloatArray:
        """Plate's outline parameters in the world (steady camera) at a time."""
        s = self.scene
        height = float(
            press_height(
                time_s,
                start_s=s.lead_s,
                descent_s=self.phases[0],
                pause_s=self.phases[1],
                drive_s=self.phases[2],
                rest_s=self.phases[3],
                n_reps=s.n_reps,
            )
        )
        low = 1.0 - height
        size = 1.0 + s.size_growth * low
        ellipse = Ellipse(
            self.middle[0] + s.drift_px * (low**2 - 0.5),
            self.middle[1] + s.travel_px * (low - 0.5),
            s.major_px * size,
            s.major_px * s.aspect * size,
            s.angle_deg,
        )
        return to_params(ellipse)

    def shake_at(self, time_s: float) -> FloatArray:
        """Camera offset (world → image is minus this), px."""
        at = time_s * self.scene.fps + 1.0
        return self.shake(at)

    def _shake_path(self) -> CubicSpline:
        n = self.scene.n_frames + 4
        if self.scene.shake_px <= 0:
            return CubicSpline(np.arange(n), np.zeros((n, 2)))
        raw = self.rng.normal(size=(n + 60, 2))
        smooth = gaussian_filter1d(raw, 6.0, axis=0)[30 : n + 30]
        smooth = (smooth - smooth.mean(axis=0)) / smooth.std(axis=0)
        limit = _WORLD_MARGIN_PX - 4.0
        return CubicSpline(np.arange(n), np.clip(smooth * self.scene.shake_px, -limit, limit))

    def _paint_world(self) -> FloatArray:
        s = self.scene
        shape = (s.height_px + 2 * _WORLD_MARGIN_PX, s.width_px + 2 * _WORLD_MARGIN_PX)
        world = background(shape, self.rng)
        for k in range(s.n_distractors):
            size = s.major_px * self.rng.uniform(0.6, 1.4)
            where = self.middle + self.rng.uniform(-1, 1, 2) * (
                0.45 * s.width_px,
                0.4 * s.height_px,
            )
            if k == 0:
                where = self.middle + self.rng.uniform(-0.5, 0.5, 2) * s.major_px
            level = self.rng.uniform(30, 90)
            spare = plate_texture(size, level, self.rng)
            ellipse = Ellipse(where[0], where[1], size, size * max(s.aspect, 0.4), s.angle_deg)
            self._blend_plate(world, spare, to_params(ellipse), 0.0, np.full(2, _WORLD_MARGIN_PX))
        return world

    def _blend_plate(
        self,
        image: FloatArray,
        texture: FloatArray,
        params: FloatArray,
        spin_rad: float,
        offset: FloatArray,
    ) -> None:
        layer, x0, y0 = _warp_plate(texture, params + np.r_[offset, 0, 0, 0], spin_rad, image.shape)
        if layer.size:
            region = image[y0 : y0 + layer.shape[0], x0 : x0 + layer.shape[1]]
            region *= 1.0 - layer[..., 3:]
            region += layer[..., :3]

    def _occluder_alpha(self, time_s: float) -> tuple[FloatArray, FloatArray] | None:
        """Mask (H, W) and colour of what stands before the plate, in world coordinates."""
        s = self.scene
        if s.occluder == "none" or s.hidden_share <= 0:
            return None
        width = to_params(Ellipse(0, 0, s.major_px, s.major_px * s.aspect, s.angle_deg))[2]
        # Measured from the plate's position nearest the occluder, where it hides the stated share.
        edge = width * np.cos(np.pi * s.hidden_share) + 0.5 * abs(s.drift_px)
        columns = np.arange(s.width_px + 2 * _WORLD_MARGIN_PX) - _WORLD_MARGIN_PX
        if s.occluder == "upright":
            inner = self.middle[0] + self.hide_side * edge
            outer = self.middle[0] + self.hide_side * 1.4 * width
            colour = np.array([120.0, 40.0, 35.0])
        else:
            # Walks in, stands hiding the stated share for a moment, and walks back out.
            come = 0.5 - 0.5 * np.cos(2 * np.pi * np.clip(time_s / self.duration_s, 0, 1))
            far = 2.5 * width * (1.0 - np.clip(1.4 * come, 0, 1))
            inner = self.middle[0] + self.hide_side * (edge + far)
            outer = self.middle[0] + self.hide_side * (edge + far + 2.2 * width)
            colour = np.array([70.0, 85.0, 140.0])
        low, high = min(inner, outer), max(inner, outer)
        row = np.clip(columns - low + 0.5, 0, 1) * np.clip(high - columns + 0.5, 0, 1)
        return np.tile(row.astype(np.float32), (s.height_px + 2 * _WORLD_MARGIN_PX, 1)), colour

    @staticmethod
    def _occlude(image: FloatArray, occluder: tuple[FloatArray, FloatArray] | None) -> None:
        if occluder is not None:
            alpha, colour = occluder
            image += alpha[..., None] * (colour.astype(np.float32) - image)

    def _paint_heads(self, image: FloatArray, time_s: float) -> None:
        s = self.scene
        for k in range(s.n_heads):
            size = 0.55 * s.major_px
            phase = self.head_phase[k]
            x = self.middle[0] + (k + 1.2) * 1.3 * s.major_px * (-1) ** k
            x += 0.3 * size * np.sin(1.3 * time_s + phase[0])
            y = 0.25 * s.height_px + 0.15 * size * np.sin(2.1 * time_s + phase[1])
            centre = (
                round((x + _WORLD_MARGIN_PX) * 16),
                round((y + _WORLD_MARGIN_PX) * 16),
            )
            cv2.ellipse(
                image,
                centre,
                (round(0.38 * size * 16), round(0.5 * size * 16)),
                0,
                0,
                360,
                (196.0, 150.0, 125.0),
                -1,
                cv2.LINE_AA,
                4,
            )

    def frame(self, index: int) -> tuple[MadeFrame, dict[str, float]]:
        """Paint one frame and state its truth."""
        s = self.scene
        time_s = index / s.fps
        world = self.world.copy()
        self._paint_heads(world, time_s)
        margin = np.full(2, float(_WORLD_MARGIN_PX))
        offsets = (np.arange(_BLUR_STEPS) + 0.5) / _BLUR_STEPS - 0.5
        total = np.zeros((s.height_px, s.width_px, 3), np.float32)
        occluder = self._occluder_alpha(time_s)
        for offset in offsets:
            now = time_s + offset * s.exposure_share / s.fps
            spin = np.deg2rad(s.spin_deg_s) * now
            if s.shake_px > 0:
                canvas = world.copy()
                self._blend_plate(canvas, self.texture, self.params_at(now), spin, margin)
                self._occlude(canvas, occluder)
                shake = self.shake_at(now)
                move = np.array(
                    [[1.0, 0.0, -margin[0] - shake[0]], [0.0, 1.0, -margin[1] - shake[1]]]
                )
                size = (s.width_px, s.height_px)
                total += cv2.warpAffine(canvas, move, size, flags=cv2.INTER_LINEAR)
                continue
            canvas = world[
                _WORLD_MARGIN_PX : _WORLD_MARGIN_PX + s.height_px,
                _WORLD_MARGIN_PX : _WORLD_MARGIN_PX + s.width_px,
            ].copy()
            self._blend_plate(canvas, self.texture, self.params_at(now), spin, np.zeros(2))
            total += canvas
        if s.shake_px <= 0 and occluder is not None:
            inner = slice(_WORLD_MARGIN_PX, -_WORLD_MARGIN_PX)
            total /= _BLUR_STEPS
            self._occlude(total, (occluder[0][inner, inner], occluder[1]))
            total *= _BLUR_STEPS
        light = 1.0 + s.light_change * np.sin(2 * np.pi * time_s / max(self.duration_s, 1e-9))
        image = total / _BLUR_STEPS * light
        noise = np.random.default_rng((s.seed, index)).standard_normal(image.shape, np.float32)
        pixels = np.clip(np.round(image + s.noise_sd * noise), 0, 255).astype(np.uint8)
        if s.jpeg_quality > 0:
            bgr = np.ascontiguousarray(pixels[..., ::-1])
            _, code = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, s.jpeg_quality])
            back = cv2.imdecode(code, cv2.IMREAD_COLOR)
            if back is None:
                raise ValueError(f"a JPEG of quality {s.jpeg_quality} cannot be read back")
            pixels = np.asarray(np.ascontiguousarray(back[..., ::-1]), np.uint8)
        return MadeFrame(index, time_s, pixels), self._truth(index, time_s, occluder)

    def _truth(
        self, index: int, time_s: float, occluder: tuple[FloatArray, FloatArray] | None
    ) -> dict[str, float]:
        params = self.params_at(time_s)
        shake = self.shake_at(time_s)
        hidden = 0.0
        if occluder is not None:
            points, _ = outline_from_params(params, unit_vectors(360))
            spots = np.round(points + _WORLD_MARGIN_PX).astype(int)
            rows = np.clip(spots[:, 1], 0, occluder[0].shape[0] - 1)
            columns = np.clip(spots[:, 0], 0, occluder[0].shape[1] - 1)
            hidden = float(np.mean(occluder[0][rows, columns] > 0.5))
        ellipse = from_params(params)
        return {
            "frame": index,
            "time_s": time_s,
            "x_px": ellipse.x_px - shake[0],
            "y_px": ellipse.y_px - shake[1],
            "major_px": ellipse.major_px,
            "minor_px": ellipse.minor_px,
            "angle_deg": ellipse.angle_deg,
            "hidden_share": hidden,
            "camera_x_px": shake[0],
            "camera_y_px": shake[1],
        }


def plate_texture(diameter_px: float, level: float, rng: np.random.Generator) -> FloatArray:
    """A plate's face with lip, groove, hub and lettering, as premultiplied RGBA.

    Parameters
    ----------
    diameter_px : float
        Diameter at which it will be drawn; the texture is finer than that.
    level : float
        Grey level of the face.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float32, shape (n, n, 4)
        The disc's radius is 0.475 n; alpha in 0..1.
    """
    n = int(np.ceil(diameter_px * _SUPERSAMPLING / 0.95 / 2)) * 2
    radius = 0.475 * n
    axis = np.arange(n) - 0.5 * (n - 1)
    x, y = np.meshgrid(axis, axis)
    r = np.hypot(x, y)

    def ring(inner: float, outer: float) -> FloatArray:
        return np.clip(r - inner * radius + 0.5, 0, 1) * np.clip(outer * radius - r + 0.5, 0, 1)

    tint = np.array([1.0, 1.0, 1.0]) + rng.uniform(-0.08, 0.08, 3)
    face = np.full((n, n), float(level))
    face += 0.35 * level * ring(0.9, 1.01)
    face -= 0.45 * level * ring(0.86, 0.9)
    face -= 0.25 * level * ring(0.4, 0.44)
    face += 0.5 * level * ring(0.24, 0.3)
    face += (170.0 - face) * ring(-0.1, 0.11)
    angle = np.arctan2(y, x)
    for middle in (0.0, np.pi):
        letters = rng.random(14) > 0.35
        slot = np.floor((np.angle(np.exp(1j * (angle - middle))) + 0.9) / 1.8 * 14).astype(int)
        lit = (slot >= 0) & (slot < 14)
        lit &= letters[np.clip(slot, 0, 13)]
        face += (150.0 - face) * ring(0.6, 0.74) * lit
    alpha = np.clip(radius - r + 0.5, 0, 1)
    colour = face[..., None] * tint
    texture = np.concatenate([colour * alpha[..., None], alpha[..., None]], axis=2)
    return texture.astype(np.float32)


def _warp_plate(
    texture: FloatArray, params: FloatArray, spin_rad: float, shape: tuple[int, ...]
) -> tuple[FloatArray, int, int]:
    """Draw a plate's texture with an outline, supersampled; returns RGBA layer and its corner."""
    x, y = params[:2]
    matrix = outline_matrix(params)
    reach = np.sqrt(np.sum(matrix**2, axis=1)) + 2
    x0, x1 = max(int(x - reach[0]), 0), min(int(x + reach[0]) + 2, shape[1])
    y0, y1 = max(int(y - reach[1]), 0), min(int(y + reach[1]) + 2, shape[0])
    if x1 <= x0 or y1 <= y0:
        return np.zeros((0, 0, 4)), 0, 0
    n = texture.shape[0]
    cos, sin = np.cos(spin_rad), np.sin(spin_rad)
    spin = np.array([[cos, -sin], [sin, cos]])
    to_image = matrix @ spin / (0.475 * n)
    forward = np.zeros((2, 3))
    forward[:, :2] = _SUPERSAMPLING * to_image
    middle = np.full(2, 0.5 * (n - 1))
    # A pixel's index k in the fine layer lies at (k + 0.5) / supersampling - 0.5 in the image.
    centre = (np.array([x - x0, y - y0]) + 0.5) * _SUPERSAMPLING - 0.5
    forward[:, 2] = centre - forward[:, :2] @ middle
    size = ((x1 - x0) * _SUPERSAMPLING, (y1 - y0) * _SUPERSAMPLING)
    fine = cv2.warpAffine(texture, forward, size, flags=cv2.INTER_LINEAR)
    layer = cv2.resize(fine, (x1 - x0, y1 - y0), interpolation=cv2.INTER_AREA)
    return np.asarray(layer, texture.dtype), x0, y0


def background(shape: tuple[int, int], rng: np.random.Generator) -> FloatArray:
    """A textured static background: soft clouds, grain, and posts and boxes with hard edges.

    Parameters
    ----------
    shape : (int, int)
        Height and width, px.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of float32, shape (H, W, 3), grey levels
    """
    height, width = shape
    image = np.full((height, width, 3), 120.0)
    for cells, amplitude in ((4, 35.0), (12, 18.0), (40, 10.0)):
        coarse = rng.normal(0, amplitude, (cells, cells * 2, 3)) * (0.5, 0.5, 0.5)
        coarse += rng.normal(0, amplitude, (cells, cells * 2, 1))
        image += cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)
    for _ in range(18):
        x, y = rng.integers(0, width), rng.integers(0, height)
        w, h = (rng.integers(4, 14), rng.integers(60, height))
        if rng.random() < 0.5:
            w, h = h, w
        colour = rng.uniform(20, 220, 3) * 0.4 + rng.uniform(20, 220) * 0.6
        cv2.rectangle(image, (int(x), int(y)), (int(x + w), int(y + h)), colour.tolist(), -1)
    image += rng.normal(0, 5, (height, width, 1))
    return np.clip(cv2.GaussianBlur(image, (0, 0), 0.7), 5, 250).astype(np.float32)


def iter_plate_clip(scene: PlateScene) -> Iterator[tuple[MadeFrame, dict[str, float]]]:
    """Yield the frames of a made plate clip with their truth, one by one."""
    painter = _Painter(scene)
    for index in range(scene.n_frames):
        yield painter.frame(index)


def make_plate_clip(scene: PlateScene) -> tuple[list[MadeFrame], pd.DataFrame]:
    """Make a plate clip.

    Parameters
    ----------
    scene : PlateScene

    Returns
    -------
    frames : list of MadeFrame
    truth : pandas.DataFrame
        One row a frame: ``frame, time_s, x_px, y_px, major_px, minor_px, angle_deg`` of the plate's
        outline in the image at mid-exposure, ``hidden_share`` of its outline behind the occluder,
        and ``camera_x_px, camera_y_px``, which added to image coordinates give steadied ones.
    """
    frames, rows = [], []
    for frame, row in iter_plate_clip(scene):
        frames.append(frame)
        rows.append(row)
    return frames, pd.DataFrame(rows)


def camera_transforms(truth: pd.DataFrame) -> FloatArray:
    """True image → steadied image transforms of a made clip, shape (n, 2, 3)."""
    transforms = np.tile(np.eye(2, 3), (len(truth), 1, 1))
    first = truth.iloc[0]
    transforms[:, 0, 2] = truth["camera_x_px"] - first["camera_x_px"]
    transforms[:, 1, 2] = truth["camera_y_px"] - first["camera_y_px"]
    return transforms
