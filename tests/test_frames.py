"""Frames: true times, upright pixels, clear errors, and the encoder.

Every made clip carries its frame number in its pixels, so that what is checked is which picture
came out, not which one the file claims to hold.
"""

import dataclasses
import json
import os
import shutil
import socket
import struct
import subprocess
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from barpath.clip import container, frames
from barpath.clip.reading import Reading
from barpath.clip.streamstats import StreamStats
from barpath.clip.writer import VideoWriter
from barpath.errors import ClipError, OptionError, OutputError

WIDTH_PX, HEIGHT_PX = 96, 64
BLOCK_PX = 8
N_BITS = 10
CLOCK_HZ = 90_000
SHARED = Path(__file__).parents[2] / "shared"


def numbered(number: int, width_px: int = WIDTH_PX, height_px: int = HEIGHT_PX) -> np.ndarray:
    """Picture with its number as blocks, lowest bit first, along the top edge."""
    image = np.full((height_px, width_px, 3), 90, np.uint8)
    for bit in range(N_BITS):
        level = 235 if number >> bit & 1 else 20
        image[:BLOCK_PX, bit * BLOCK_PX : (bit + 1) * BLOCK_PX] = level
    return image


def number_of(image: np.ndarray) -> int:
    """Read the number back from an upright picture of the made size."""
    grey = image if image.ndim == 2 else image.mean(axis=2)
    centres = grey[BLOCK_PX // 2, BLOCK_PX // 2 : N_BITS * BLOCK_PX : BLOCK_PX]
    return sum(1 << bit for bit, level in enumerate(centres) if level > 127)


def has_encoder(name: str) -> bool:
    try:
        av.codec.Codec(name, "w")
    except av.codec.codec.UnknownCodecError:
        return False
    return True


def write_clip(
    path: Path,
    images: list[np.ndarray],
    times_s: np.ndarray | None = None,
    *,
    codec: str = "libx264",
    pixel_format: str = "yuv420p",
    image_format: str = "rgb24",
    options: dict[str, str] | None = None,
    container_options: dict[str, str] | None = None,
    metadata: dict[str, str] | None = None,
    fps: int | Fraction = 30,
    matrix: int | None = None,
    full_range: bool | None = None,
    sample_aspect: Fraction | None = None,
    size_px: tuple[int, int] | None = None,
) -> Path:
    """Write a clip with PyAV directly, apart from the writer under test."""
    if not has_encoder(codec):
        pytest.skip(f"no encoder {codec} in this build of PyAV")
    with av.open(str(path), "w", options=container_options or {}) as container:
        container.metadata.update(metadata or {})
        video = container.add_stream(codec, rate=fps, options=options or {})
        video.height, video.width = size_px or images[0].shape[:2]
        video.pix_fmt = pixel_format
        if sample_aspect is not None:
            video.codec_context.sample_aspect_ratio = sample_aspect
        if times_s is not None:
            video.codec_context.time_base = Fraction(1, CLOCK_HZ)
        if matrix is not None:
            video.codec_context.colorspace = matrix
        if full_range is not None:
            video.codec_context.color_range = 2 if full_range else 1
        for count, image in enumerate(images):
            frame = av.VideoFrame.from_ndarray(image, format=image_format)
            if matrix is not None or full_range is not None:
                frame = frame.reformat(
                    format=pixel_format,
                    dst_colorspace=matrix,
                    dst_color_range=2 if full_range else 1,
                )
            if times_s is None:
                frame.pts, frame.time_base = count, Fraction(1) / fps
            else:
                frame.pts = round(times_s[count] * CLOCK_HZ)
                frame.time_base = Fraction(1, CLOCK_HZ)
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
    return path


def numbered_clip(path: Path, n_frames: int = 40, **settings: object) -> Path:
    return write_clip(path, [numbered(i) for i in range(n_frames)], **settings)


def assert_ffprobe_agrees(path: Path, times_s: list[float], atol: float = 1e-5) -> None:
    """Compare with the ffprobe program, a reader apart from PyAV, where there is one."""
    if shutil.which("ffprobe") is None:
        return
    command = "ffprobe -v error -select_streams v:0 -of json -show_entries"
    done = subprocess.run(
        [*command.split(), "frame=best_effort_timestamp_time", str(path)],
        capture_output=True,
        check=True,
        text=True,
    )
    rows = json.loads(done.stdout)["frames"]
    reference_s = np.array([float(row["best_effort_timestamp_time"]) for row in rows])
    np.testing.assert_allclose(times_s, reference_s - reference_s[0], atol=atol)


FORMATS = {
    "h264": ("clip.mp4", {"codec": "libx264"}),
    "h264 without B frames": ("clip.mov", {"codec": "libx264", "options": {"bf": "0"}}),
    "h264 transport stream": ("clip.ts", {"codec": "libx264"}),
    "hevc": ("clip.mp4", {"codec": "libx265", "options": {"x265-params": "log-level=none"}}),
    "hevc 10 bit": (
        "clip.mp4",
        {
            "codec": "libx265",
            "pixel_format": "yuv420p10le",
            "options": {"x265-params": "log-level=none"},
        },
    ),
    "mjpeg": ("clip.avi", {"codec": "mjpeg", "pixel_format": "yuvj420p"}),
    "mpeg4": ("clip.avi", {"codec": "mpeg4"}),
    "vp9": ("clip.webm", {"codec": "libvpx-vp9", "options": {"deadline": "realtime"}}),
    "av1": ("clip.mp4", {"codec": "libsvtav1", "options": {"preset": "12", "svtav1-params": ""}}),
    "ffv1": ("clip.mkv", {"codec": "ffv1"}),
}


@pytest.mark.parametrize("name", FORMATS)
def test_every_frame_comes_out_once_in_order_with_its_time(name: str, tmp_path: Path) -> None:
    file_name, settings = FORMATS[name]
    path = numbered_clip(tmp_path / file_name, **settings)
    info = frames.probe(path)
    stats = StreamStats()
    got = list(frames.stream(info, stats=stats))
    assert [number_of(frame.image) for frame in got] == list(range(40))
    assert [frame.index for frame in got] == list(range(40))
    # Matroska's clock is 1 ms, so its stamps are off by up to half of that at either end.
    np.testing.assert_allclose([f.time_s for f in got], np.arange(40) / 30, atol=0.00101)
    assert_ffprobe_agrees(path, [f.time_s for f in got])
    assert got[0].image.shape == (info.height_px, info.width_px, 3) == (HEIGHT_PX, WIDTH_PX, 3)
    assert got[0].image.dtype == np.uint8
    assert info.fps == pytest.approx(30, rel=0.002)
    assert (info.n_frames, info.n_dropped, info.n_undecodable) == (40, 0, 0)
    assert not info.variable_rate
    assert (stats.n_frames, stats.n_undecodable, stats.n_duplicate) == (40, 0, 0)


@pytest.mark.parametrize("fps", [24, Fraction(30000, 1001), 60, 120, 240])
def test_rates_from_24_to_240_are_measured(fps: Fraction, tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4", fps=fps)
    info = frames.probe(path)
    assert info.fps == pytest.approx(float(fps), rel=1e-4)
    assert info.fps_nominal == pytest.approx(float(fps), rel=1e-3)
    assert info.duration_s == pytest.approx(40 / float(fps), rel=1e-4)
    assert not info.variable_rate


def test_240_fps_is_measured_in_a_clock_of_milliseconds(tmp_path: Path) -> None:
    info = frames.probe(numbered_clip(tmp_path / "clip.mkv", 200, fps=240))
    assert info.fps == pytest.approx(240, rel=0.002)
    assert not info.variable_rate
    assert info.n_dropped == 0


def varied_times_s(n_frames: int) -> np.ndarray:
    return np.cumsum(np.random.default_rng(3).uniform(0.012, 0.045, n_frames)) - 0.01


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
def test_variable_rate_times_agree_with_those_written(suffix: str, tmp_path: Path) -> None:
    times_s = varied_times_s(60)
    path = numbered_clip(tmp_path / f"clip{suffix}", 60, times_s=times_s)
    info = frames.probe(path)
    got = list(frames.stream(path))
    assert [number_of(frame.image) for frame in got] == list(range(60))
    np.testing.assert_allclose([f.time_s for f in got], times_s - times_s[0], atol=0.00101)
    assert_ffprobe_agrees(path, [f.time_s for f in got])
    assert info.variable_rate


def test_times_agree_with_opencv(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4", 60, times_s=varied_times_s(60))
    capture = cv2.VideoCapture(str(path))
    reference_s = []
    while capture.grab():
        reference_s.append(capture.get(cv2.CAP_PROP_POS_MSEC) / 1000)
    capture.release()
    ours_s = frames.probe(path).times_s
    np.testing.assert_allclose(ours_s, np.array(reference_s) - reference_s[0], atol=0.001)


def test_dropped_frames_are_counted_and_are_no_variable_rate(tmp_path: Path) -> None:
    kept = np.setdiff1d(np.arange(60), [10, 25, 26, 40])
    path = numbered_clip(tmp_path / "clip.mp4", kept.size, times_s=kept / 30)
    info = frames.probe(path)
    assert info.n_dropped == 4
    assert not info.variable_rate
    assert info.fps == pytest.approx(30, rel=1e-3)


def test_frames_with_a_repeated_time_are_counted_and_left_out(tmp_path: Path) -> None:
    times_s = np.array([0, 1, 2, 2, 3, 4, 5, 5, 6]) / 25
    path = numbered_clip(tmp_path / "clip.mkv", 9, times_s=times_s, codec="ffv1")
    info = frames.probe(path)
    got = list(frames.stream(info))
    assert (info.n_duplicate, info.n_frames) == (2, 7)
    assert [number_of(frame.image) for frame in got] == [0, 1, 2, 4, 5, 6, 8]
    assert np.all(np.diff([frame.time_s for frame in got]) > 0)


def test_repeated_pictures_are_counted_while_streaming(tmp_path: Path) -> None:
    images = [numbered(i) for i in (0, 1, 1, 2, 3, 3, 3, 4)]
    path = write_clip(tmp_path / "clip.mkv", images, codec="ffv1")
    stats = StreamStats()
    assert len(list(frames.stream(path, stats=stats))) == 8
    assert stats.n_duplicate == 3


@pytest.mark.parametrize(
    ("file_name", "settings"),
    [("clip.avi", {"codec": "libx264"}), ("clip.h264", {"codec": "libx264"})],
)
def test_missing_stamps_still_give_all_frames_and_even_times(
    file_name: str, settings: dict[str, str], tmp_path: Path
) -> None:
    path = numbered_clip(tmp_path / file_name, **settings)
    info = frames.probe(path)
    got = list(frames.stream(info))
    assert [number_of(frame.image) for frame in got] == list(range(40))
    interval_s = np.diff([frame.time_s for frame in got])
    assert np.ptp(interval_s) < 1e-5
    if file_name.endswith("h264"):
        assert info.n_interpolated == 40
        assert any("no time" in warning for warning in info.warnings)
    else:
        assert interval_s[0] == pytest.approx(1 / 30, rel=1e-4)


def set_display_matrix(path: Path, a: int, b: int, c: int, d: int) -> None:
    """Overwrite the track header's matrix; layout of the box by ISO/IEC 14496-12, 8.3.2."""
    data = bytearray(path.read_bytes())
    box = data.index(b"tkhd") + 4
    assert data[box] == 0, "version 0 has 32-bit times"
    one = 1 << 16
    matrix = (a * one, b * one, 0, c * one, d * one, 0, 0, 0, 1 << 30)
    data[box + 40 : box + 76] = struct.pack(">9i", *matrix)
    path.write_bytes(data)


# The matrix takes the coded point (x, y), y down, to (a x + c y, b x + d y) (ISO/IEC 14496-12).
# Which coded corner is then seen at the top left, top right, bottom left, bottom right:
ORIENTATIONS = {
    "none": ((1, 0, 0, 1), "RGBW"),
    "90 clockwise": ((0, 1, -1, 0), "BRWG"),
    "180": ((-1, 0, 0, -1), "WBGR"),
    "270 clockwise": ((0, -1, 1, 0), "GWRB"),
    "mirrored": ((-1, 0, 0, 1), "GRWB"),
    "upside down": ((1, 0, 0, -1), "BWRG"),
    "transposed": ((0, 1, 1, 0), "RBGW"),
    "transposed across": ((0, -1, -1, 0), "WGBR"),
}
COLOURS = {"R": (210, 30, 30), "G": (30, 180, 30), "B": (30, 30, 220), "W": (230, 230, 230)}


def corner_letters(image: np.ndarray) -> str:
    h, w = image.shape[:2]
    corners = [
        (h // 4, w // 4),
        (h // 4, 3 * w // 4),
        (3 * h // 4, w // 4),
        (3 * h // 4, 3 * w // 4),
    ]
    return "".join(
        min(COLOURS, key=lambda name: np.abs(image[y, x].astype(int) - COLOURS[name]).sum())
        for y, x in corners
    )


@pytest.mark.parametrize("name", ORIENTATIONS)
def test_the_display_matrix_is_applied_to_the_pixels(name: str, tmp_path: Path) -> None:
    image = np.empty((HEIGHT_PX, WIDTH_PX, 3), np.uint8)
    for letter, (y, x) in zip("RGBW", [(0, 0), (0, 1), (1, 0), (1, 1)], strict=True):
        rows, columns = HEIGHT_PX // 2, WIDTH_PX // 2
        image[y * rows : (y + 1) * rows, x * columns : (x + 1) * columns] = COLOURS[letter]
    path = write_clip(tmp_path / "clip.mp4", [image] * 4)
    coefficients, expected = ORIENTATIONS[name]
    set_display_matrix(path, *coefficients)
    info = frames.probe(path)
    upright = (WIDTH_PX, HEIGHT_PX) if coefficients[0] else (HEIGHT_PX, WIDTH_PX)
    assert (info.width_px, info.height_px) == upright
    for settings in ({}, {"max_side_px": 48}):
        got = next(frames.stream(info, **settings)).image
        assert corner_letters(got) == expected
    assert got.shape == (upright[1] // 2, upright[0] // 2, 3)

    if shutil.which("ffmpeg") is None:
        return
    reference = subprocess.run(
        f"ffmpeg -v error -i {path.name} -frames:v 1 -pix_fmt rgb24 -f rawvideo -".split(),
        cwd=tmp_path,
        capture_output=True,
        check=True,
    ).stdout
    turned = np.frombuffer(reference, np.uint8).reshape(upright[1], upright[0], 3)
    assert corner_letters(turned) == expected


# Luma weights: ITU-R BT.709-6 item 3.2, BT.601-7 item 2.5.1, BT.2020-2 table 4; the numbers are
# ITU-T H.273 matrix code points as swscale knows them.
LUMA_WEIGHTS = {1: (0.2126, 0.7152, 0.0722), 5: (0.299, 0.587, 0.114), 9: (0.2627, 0.678, 0.0593)}


@pytest.mark.parametrize("matrix", LUMA_WEIGHTS)
@pytest.mark.parametrize("full_range", [False, True])
@pytest.mark.parametrize("depth", [8, 10])
def test_colours_come_back_whatever_matrix_range_and_depth(
    matrix: int, full_range: bool, depth: int, tmp_path: Path
) -> None:
    """Coded by the published formulas in numpy, decoded by the module."""
    red_weight, green_weight, blue_weight = LUMA_WEIGHTS[matrix]
    colours = np.array([*COLOURS.values(), (0, 0, 0), (255, 255, 255)], float)
    r, g, b = colours.T / 255
    luma = red_weight * r + green_weight * g + blue_weight * b
    chroma_blue = (b - luma) / (2 * (1 - blue_weight))
    chroma_red = (r - luma) / (2 * (1 - red_weight))
    if full_range:
        y, u, v = luma * 255, chroma_blue * 255 + 128, chroma_red * 255 + 128
    else:
        y, u, v = luma * 219 + 16, chroma_blue * 224 + 128, chroma_red * 224 + 128
    step = 2 ** (depth - 8)
    if full_range and depth == 10:
        y, u, v = luma * 1023 / 4, chroma_blue * 1023 / 4 + 128, chroma_red * 1023 / 4 + 128
    planes = [
        np.repeat(np.repeat(np.rint(p * step)[None], size, axis=0), size, axis=1)
        for p, size in ((y, 16), (u, 8), (v, 8))
    ]
    kind = np.uint8 if depth == 8 else np.uint16
    limit = 2**depth - 1
    stacked = np.concatenate([np.clip(p, 0, limit).astype(kind).ravel() for p in planes])
    pixel_format = "yuv420p" if depth == 8 else "yuv420p10le"
    path = tmp_path / "clip.mkv"
    with av.open(str(path), "w") as container:
        video = container.add_stream("ffv1", rate=30)
        video.width, video.height, video.pix_fmt = 16 * len(colours), 16, pixel_format
        video.codec_context.colorspace = matrix
        video.codec_context.color_range = 2 if full_range else 1
        for count in range(3):
            frame = av.VideoFrame(16 * len(colours), 16, pixel_format)
            start = 0
            for plane, values in zip(frame.planes, planes, strict=True):
                rows = stacked[start : start + values.size].reshape(values.shape)
                padded = np.zeros((values.shape[0], plane.line_size // rows.itemsize), kind)
                padded[:, : values.shape[1]] = rows
                plane.update(padded.tobytes())
                start += values.size
            frame.colorspace, frame.color_range, frame.pts = matrix, 2 if full_range else 1, count
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
    got = next(frames.stream(path)).image[8, 8::16]
    grey = next(frames.stream(path, grey=True)).image[8, 8::16]
    np.testing.assert_allclose(got, colours, atol=3)
    np.testing.assert_allclose(grey, luma * 255, atol=2)


def test_16_bit_grey_becomes_8_bit(tmp_path: Path) -> None:
    ramp = np.linspace(0, 65535, WIDTH_PX).astype(np.uint16)
    image = np.repeat(ramp[None], HEIGHT_PX, axis=0)
    path = write_clip(
        tmp_path / "clip.mkv",
        [image] * 3,
        codec="ffv1",
        pixel_format="gray16le",
        image_format="gray16le",
    )
    got = next(frames.stream(path)).image
    assert got.shape == (HEIGHT_PX, WIDTH_PX, 3)
    np.testing.assert_allclose(got[5], np.repeat(ramp[:, None] / 257, 3, axis=1), atol=2)
    grey = next(frames.stream(path, grey=True)).image
    np.testing.assert_allclose(grey[5], ramp / 257, atol=2)


def test_alpha_is_dropped_not_blended(tmp_path: Path) -> None:
    image = np.dstack([numbered(5), np.full((HEIGHT_PX, WIDTH_PX), 40, np.uint8)])
    path = write_clip(
        tmp_path / "clip.mkv",
        [image] * 3,
        codec="ffv1",
        pixel_format="bgra",
        image_format="rgba",
    )
    np.testing.assert_array_equal(next(frames.stream(path)).image, numbered(5))


def test_pixels_that_are_not_square_are_made_so(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "wide.mp4", 4, sample_aspect=Fraction(4, 3))
    info = frames.probe(path)
    assert (info.width_px, info.height_px) == (WIDTH_PX * 4 // 3, HEIGHT_PX)
    path = numbered_clip(tmp_path / "tall.mp4", 4, sample_aspect=Fraction(1, 2))
    got = list(frames.stream(path))
    assert got[0].image.shape == (2 * HEIGHT_PX, WIDTH_PX, 3)
    assert [number_of(frame.image) for frame in got] == [0, 1, 2, 3]


@pytest.mark.parametrize("grey", [False, True])
def test_shrinking_keeps_places_where_the_docstring_says(grey: bool, tmp_path: Path) -> None:
    image = np.zeros((240, 320, 3), np.uint8)
    cv2.circle(image, (201, 77), 25, (255, 255, 255), -1, cv2.LINE_AA)
    path = write_clip(tmp_path / "clip.mkv", [image] * 2, codec="ffv1", pixel_format="bgr0")
    small = next(frames.stream(path, max_side_px=100, grey=grey)).image
    assert small.shape[:2] == (75, 100)
    weights = small.reshape(75, 100, -1)[..., 0].astype(float)
    x_px = (weights.sum(0) @ np.arange(100)) / weights.sum()
    y_px = (weights.sum(1) @ np.arange(75)) / weights.sum()
    assert (x_px + 0.5) * 3.2 - 0.5 == pytest.approx(201, abs=0.1)
    assert (y_px + 0.5) * 3.2 - 0.5 == pytest.approx(77, abs=0.1)


def test_images_are_never_enlarged(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4", 2)
    assert next(frames.stream(path, max_side_px=5000)).image.shape == (HEIGHT_PX, WIDTH_PX, 3)


@pytest.fixture(scope="module")
def long_clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("long") / "clip.mp4"
    return numbered_clip(path, 300, options={"g": "25", "bf": "3"})


@pytest.mark.parametrize(
    ("file_name", "settings"),
    [
        ("clip.mp4", {"options": {"g": "25", "bf": "3"}}),
        ("clip.mkv", {"options": {"g": "25", "bf": "3"}}),
        ("clip.ts", {"options": {"g": "25", "bf": "3"}}),
        (
            "clip.mp4",
            {"codec": "libx265", "options": {"x265-params": "log-level=none:keyint=25:open-gop=1"}},
        ),
        ("clip.avi", {"codec": "mpeg4", "options": {"g": "25"}}),
        ("clip.avi", {"codec": "libx264", "options": {"g": "25"}}),
    ],
)
def test_chosen_frames_are_the_right_ones_when_seeking(
    file_name: str, settings: dict, tmp_path: Path
) -> None:
    path = numbered_clip(tmp_path / file_name, 300, **settings)
    info = frames.probe(path)
    wanted = [0, 3, 90, 91, 174, 175, 176, 260, 299]
    stats = StreamStats()
    got = list(frames.stream(info, indices=reversed(wanted), stats=stats))
    assert [frame.index for frame in got] == wanted
    assert [number_of(frame.image) for frame in got] == wanted
    np.testing.assert_array_equal([frame.time_s for frame in got], info.times_s[wanted])
    assert (stats.n_frames, stats.n_undecodable) == (len(wanted), 0)


def test_seeking_saves_decoding(long_clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    info = frames.probe(long_clip)
    whole = container.packets
    count = 0

    def counted(*arguments: object) -> object:
        nonlocal count
        for packet in whole(*arguments):
            count += 1
            yield packet

    monkeypatch.setattr(container, "packets", counted)
    assert [f.index for f in frames.stream(info, indices=[2, 280])] == [2, 280]
    assert 0 < count < 60


def test_a_stretch_and_every_so_manieth_frame(long_clip: Path) -> None:
    got = list(frames.stream(long_clip, start_s=4.0, stop_s=5.0, every=7))
    assert [number_of(frame.image) for frame in got] == [120, 127, 134, 141, 148]
    assert got[0].time_s == pytest.approx(4.0, abs=1e-4)
    assert list(frames.stream(long_clip, start_s=99.0)) == []


def test_samples_are_even_and_bounded(long_clip: Path) -> None:
    got = frames.sample(long_clip, per_s=4, max_s=6, max_side_px=48)
    assert len(got) == 24
    np.testing.assert_allclose([f.time_s for f in got], np.arange(24) / 4, atol=1 / 60 + 1e-6)
    assert got[0].image.shape == (32, 48, 3)
    late = frames.sample(long_clip, per_s=2, max_s=60, start_s=8.0)
    np.testing.assert_allclose([f.time_s for f in late], [8.0, 8.5, 9.0, 9.5], atol=1 / 60 + 1e-6)
    all_of_them = frames.sample(long_clip, per_s=1000, max_s=0.5)
    assert [f.index for f in all_of_them] == list(range(16))


def test_stretches_that_overlap_share_their_samples(
    long_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    info = frames.probe(long_clip)
    first = frames.sample(info, per_s=4, max_s=6, max_side_px=48)
    again = frames.sample(info, per_s=4, max_s=6, max_side_px=48, start_s=3.0)
    asked = []
    whole = frames.stream

    def noted(*arguments: object, indices: list[int], **options: object) -> object:
        asked.append(indices)
        return whole(*arguments, indices=indices, **options)

    monkeypatch.setattr(frames, "stream", noted)
    shared = frames.sample(info, per_s=4, max_s=6, max_side_px=48, start_s=3.0, known=first)
    assert [f.index for f in shared] == [f.index for f in again]
    assert all(np.array_equal(a.image, b.image) for a, b in zip(shared, again, strict=True))
    assert [len(indices) for indices in asked] == [13]
    # Pictures that are not those of this clip are read anew.
    other = [dataclasses.replace(f, image=255 - f.image) for f in first]
    anew = frames.sample(info, per_s=4, max_s=6, max_side_px=48, start_s=3.0, known=other)
    assert all(np.array_equal(a.image, b.image) for a, b in zip(anew, again, strict=True))
    assert [len(indices) for indices in asked] == [13, 13, 24]


def coded_bytes(path: Path) -> int:
    """Memory of a decoded frame, its rows padded."""
    with av.open(str(path)) as clip:
        return sum(plane.buffer_size for plane in next(clip.decode(video=0)).planes)


def decoded_counted(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Frames that are decoded from now on, by index."""
    indices = []
    ranked = frames.ranked_frames

    def counted(*arguments: object) -> object:
        for one in ranked(*arguments):
            indices.append(one[0])
            yield one

    monkeypatch.setattr(frames, "ranked_frames", counted)
    return indices


@pytest.mark.parametrize("most_frames", [300, 150, 40])
def test_frames_looked_at_ahead_are_decoded_once_if_memory_allows(
    long_clip: Path, monkeypatch: pytest.MonkeyPatch, most_frames: int
) -> None:
    """With memory for all, for the first stretch and not the second, and for neither."""
    info = frames.probe(long_clip)
    stats = StreamStats()
    plain = list(frames.stream(info, stats=stats))
    looks = [
        frames.sample(info, per_s=4, max_s=4, max_side_px=48, start_s=start_s)
        for start_s in (0.0, 4.0)
    ]
    few = list(frames.stream(info, indices=[7, 3, 90]))
    decoded = decoded_counted(monkeypatch)
    with Reading(info, most_frames * coded_bytes(long_clip)) as reading:
        for start_s, expected in zip((0.0, 4.0), looks, strict=True):
            assert_alike(reading.sample(4, 4, 48, start_s=start_s), expected)
        assert_alike(list(reading.pick([7, 3, 90])), few)
        assert_alike(list(reading.frames()), plain)
        assert reading.stats == stats
    assert set(decoded) == set(range(info.n_frames))
    assert (len(decoded) == info.n_frames) == (most_frames == 300)


def test_memory_is_given_back_when_frames_are_larger_than_was_thought(
    long_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    info = frames.probe(long_clip)
    small = dataclasses.replace(info, width_px=info.width_px // 2)
    decoded = decoded_counted(monkeypatch)
    with Reading(small, 100 * coded_bytes(long_clip)) as reading:
        looked = reading.sample(4, 4)
        assert len(looked) == 16
        assert decoded[:101] == list(range(101))
        assert decoded[101] == 0
        decoded.clear()
        assert len(list(reading.frames())) == info.n_frames == reading.stats.n_frames
    assert decoded == list(range(info.n_frames))


def assert_alike(got: list[frames.Frame], expected: list[frames.Frame]) -> None:
    assert [f.index for f in got] == [f.index for f in expected]
    assert [f.time_s for f in got] == [f.time_s for f in expected]
    assert all(np.array_equal(a.image, b.image) for a, b in zip(got, expected, strict=True))


def test_memory_does_not_grow_with_length(tmp_path: Path) -> None:
    statm = Path("/proc/self/statm")
    if not statm.exists():
        pytest.skip("no /proc on this system")
    path = numbered_clip(tmp_path / "clip.mp4", 1000, options={"preset": "ultrafast"})
    page_bytes = os.sysconf("SC_PAGE_SIZE")
    resident = {}
    for frame in frames.stream(path):
        if frame.index in (100, 999):
            resident[frame.index] = int(statm.read_text().split()[1]) * page_bytes
    # 900 frames of 96 x 64 RGB are 16.6 MB if they were kept.
    assert resident[999] - resident[100] < 4e6


SLOW = {"container_options": {"movflags": "use_metadata_tags"}}


@pytest.mark.parametrize(
    ("tag", "fps", "time_scale", "warned"),
    [
        ("240.000000", 30, 30 / 240, False),
        ("120", 30, 30 / 120, False),
        ("240", 240, 1.0, False),
        ("30", 30, 1.0, False),
        ("30", 24, 1.0, False),
        ("60", 30, 1.0, True),
        ("nonsense", 30, 1.0, False),
    ],
)
def test_the_capture_rate_tag_slows_time(
    tag: str, fps: int, time_scale: float, warned: bool, tmp_path: Path
) -> None:
    path = numbered_clip(
        tmp_path / "clip.mp4", fps=fps, metadata={"com.android.capture.fps": tag}, **SLOW
    )
    info = frames.probe(path)
    assert info.time_scale == pytest.approx(time_scale, rel=1e-4)
    assert info.fps == pytest.approx(fps / time_scale, rel=1e-3)
    assert info.fps_nominal == pytest.approx(fps)
    assert info.duration_s == pytest.approx(40 / fps * time_scale, rel=1e-3)
    last = next(frames.stream(info, indices=[39]))
    assert last.time_s == pytest.approx(39 / fps * time_scale, rel=1e-3)
    assert bool(info.warnings) == warned


def test_a_tag_in_other_letters_does_not_hide_the_clip(tmp_path: Path) -> None:
    tags = {"title": "Grobe Huebe", "com.android.capture.fps": "240"}
    path = numbered_clip(tmp_path / "clip.mp4", metadata=tags, **SLOW)
    # The same words in Latin-1, which is no UTF-8.
    written(path, path.read_bytes().replace(b"Grobe Huebe", b"Gro\xdfe H\xfcbe."))
    assert frames.probe(path).time_scale == pytest.approx(30 / 240, rel=1e-4)


def test_pyav_without_a_setting_for_tags(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = numbered_clip(tmp_path / "clip.mp4")
    opened = av.open

    def newer(name: str) -> av.container.InputContainer:
        return opened(name)

    monkeypatch.setattr(container.av, "open", newer)
    assert frames.probe(path).n_frames == 40


def test_capture_rate_or_time_scale_given_by_the_user(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4")
    assert frames.probe(path, capture_fps=240).time_scale == pytest.approx(1 / 8, rel=1e-4)
    assert frames.probe(path, time_scale=0.5).fps == pytest.approx(60, rel=1e-4)
    for wrong in ({"time_scale": 0}, {"capture_fps": -1}, {"time_scale": float("nan")}):
        with pytest.raises(OptionError, match="positive"):
            frames.probe(path, **wrong)
    with pytest.raises(OptionError, match="not both"):
        frames.probe(path, time_scale=0.5, capture_fps=60)


def sound_only(path: Path) -> Path:
    with av.open(str(path), "w") as container:
        sound = container.add_stream("aac", rate=44100, layout="mono")
        for count in range(20):
            frame = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
            frame.sample_rate, frame.pts = 44100, count * 1024
            container.mux(sound.encode(frame))
        container.mux(sound.encode(None))
    return path


def without_end(path: Path) -> Path:
    numbered_clip(path)
    data = path.read_bytes()
    assert data.index(b"mdat") < data.index(b"moov")
    path.write_bytes(data[: len(data) // 2])
    return path


def written(path: Path, data: bytes) -> Path:
    path.write_bytes(data)
    return path


def folder(path: Path) -> Path:
    path.mkdir()
    return path


def pipe(path: Path) -> Path:
    os.mkfifo(path)
    return path


def no_frames(path: Path) -> Path:
    """An MP4 whose video track lists no sample."""
    with av.open(str(path), "w", options={"movflags": "empty_moov"}) as container:
        video = container.add_stream("mpeg4", rate=30)
        video.width, video.height = WIDTH_PX, HEIGHT_PX
        container.start_encoding()
    return path


BAD_CLIPS = {
    "missing": (lambda folder: folder / "clip.mp4", "There is no file"),
    "folder": (lambda f: folder(f / "clip.mp4"), "folder"),
    "pipe": (lambda f: pipe(f / "clip.mp4"), "not a regular file"),
    "empty": (lambda f: written(f / "clip.mp4", b""), "empty"),
    "text": (lambda f: written(f / "clip.mp4", b"Set 1: 5 x 100 kg\n" * 99), "no video"),
    "text by name": (lambda f: written(f / "clip.txt", b"Set 1: 5 x 100 kg\n" * 99), "text file"),
    "noise": (lambda f: written(f / "c.mp4", np.random.default_rng(1).bytes(9999)), "no video"),
    "play list": (
        lambda f: written(f / "c.mp4", b"#EXTM3U\n#EXTINF:1,\nhttp://localhost:9/a.ts\n"),
        "no video",
    ),
    "no end": (lambda f: without_end(f / "clip.mp4"), "end is missing"),
    "sound": (lambda f: sound_only(f / "clip.m4a"), "holds no video"),
    "no frames": (lambda f: no_frames(f / "clip.mp4"), "no video frames"),
    "one frame": (lambda f: numbered_clip(f / "clip.mp4", 1), "only one frame"),
    "picture": (
        lambda f: written(f / "c.jpg", cv2.imencode(".jpg", numbered(1))[1].tobytes()),
        "only one frame",
    ),
}


@pytest.mark.parametrize("name", BAD_CLIPS)
@pytest.mark.parametrize("call", [frames.probe, frames.stream])
def test_a_bad_clip_is_told_in_one_sentence(name: str, call: object, tmp_path: Path) -> None:
    make, expected = BAD_CLIPS[name]
    path = make(tmp_path)
    with pytest.raises(ClipError, match=expected) as caught:
        call(path)
    message = str(caught.value)
    assert "\n" not in message
    assert message.endswith(".")
    assert path.name in message


def test_permission_denied_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = numbered_clip(tmp_path / "clip.mp4", 3)
    path.chmod(0)
    if os.access(path, os.R_OK):

        def refuse(*_: object, **__: object) -> None:
            raise av.error.PermissionError(13, "Permission denied", str(path))

        monkeypatch.setattr(av, "open", refuse)
    with pytest.raises(ClipError, match="permission denied"):
        frames.probe(path)


def test_a_clip_cut_short_gives_what_is_there(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4", 200, container_options={"movflags": "+faststart"})
    data = path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    path.write_bytes(data[: data.index(b"mdat") + int(0.6 * len(data[data.index(b"mdat") :]))])
    info = frames.probe(path)
    stats = StreamStats()
    got = list(frames.stream(info, stats=stats))
    assert 50 < info.n_frames < 180
    assert info.n_undecodable == 200 - info.n_frames
    assert any("cut short" in warning for warning in info.warnings)
    # The packet at the cut, and those that need it, may be lost as well.
    assert info.n_frames - 10 <= len(got) <= info.n_frames
    assert [number_of(frame.image) for frame in got] == [frame.index for frame in got]


def packet_places(path: Path) -> list[tuple[int, int]]:
    """Byte position and size of the video's packets, in decoding order."""
    with av.open(str(path)) as container:
        return [(p.pos, p.size) for p in container.demux(video=0) if p.size]


def damaged_clip(path: Path, codec: str, damage: object) -> Path:
    """100 frames, a key frame every 20 at least; `damage` changes the bytes of packets in place."""
    options = {
        "libx265": {"x265-params": "log-level=none:keyint=20:min-keyint=20:scenecut=0"},
        "libx264": {"g": "20", "keyint_min": "20", "sc_threshold": "0"},
    }
    numbered_clip(
        path,
        100,
        codec=codec,
        pixel_format="yuvj420p" if codec == "mjpeg" else "yuv420p",
        options=options.get(codec),
    )
    data = bytearray(path.read_bytes())
    damage(data, packet_places(path))
    path.write_bytes(data)
    return path


@pytest.mark.parametrize("codec", ["libx264", "libx265", "mjpeg"])
@pytest.mark.parametrize("first", [43, 93, 97])
def test_damage_is_skipped_and_counted(codec: str, first: int, tmp_path: Path) -> None:
    def erase(data: bytearray, places: list[tuple[int, int]]) -> None:
        for position, size in places[first : first + 3]:
            data[position : position + size] = bytes(size)

    info = frames.probe(damaged_clip(tmp_path / "clip.mp4", codec, erase))
    stats = StreamStats()
    got = list(frames.stream(info, stats=stats))
    assert info.n_frames == 100
    assert 3 <= stats.n_undecodable <= 20
    assert len(got) == 100 - stats.n_undecodable
    group = first // 20 * 20
    assert len([f for f in got if not group <= f.index < group + 20]) == 80
    assert [number_of(frame.image) for frame in got] == [frame.index for frame in got]
    np.testing.assert_array_equal(
        [frame.time_s for frame in got], info.times_s[[frame.index for frame in got]]
    )


@pytest.mark.parametrize("seed", range(4))
def test_no_picture_built_on_a_damaged_one_is_shown(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)

    def scramble(data: bytearray, places: list[tuple[int, int]]) -> None:
        position, size = places[40]
        data[position + size // 3 : position + size] = rng.bytes(size - size // 3)

    path = damaged_clip(tmp_path / "clip.mp4", "libx264", scramble)
    stats = StreamStats()
    got = list(frames.stream(path, stats=stats))
    assert 1 <= stats.n_undecodable <= 24
    assert [number_of(frame.image) for frame in got] == [frame.index for frame in got]


def test_what_is_lost_is_counted_once_whether_or_not_it_was_looked_at(tmp_path: Path) -> None:
    def erase(data: bytearray, places: list[tuple[int, int]]) -> None:
        position, size = places[43]
        data[position : position + size] = bytes(size)

    info = frames.probe(damaged_clip(tmp_path / "clip.mp4", "libx264", erase))
    stats = StreamStats()
    plain = list(frames.stream(info, stats=stats))
    assert stats.undecodable
    for most_bytes in (10**9, 0):
        with Reading(info, most_bytes) as reading:
            assert reading.sample(4, 100)
            assert_alike(list(reading.frames()), plain)
            assert reading.stats == stats


def test_a_wrong_seek_table_costs_time_but_no_frame(
    long_clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    landed = []

    def seek_too_far(
        file: av.container.InputContainer, video: object, index: object, last: int, target: int
    ) -> int | None:
        if container.entry_key(index, last, target) is None:
            return None
        file.seek(int(index.ticks[min(target + 60, 299)]), stream=video)
        landed.append(target)
        return target // 25 * 25

    monkeypatch.setattr(frames, "seek_to", seek_too_far)
    stats = StreamStats()
    got = list(frames.stream(long_clip, indices=[4, 130, 131, 240, 299], stats=stats))
    assert landed == [130]
    assert [number_of(frame.image) for frame in got] == [4, 130, 131, 240, 299]
    assert stats.n_undecodable == 0


def test_a_read_error_ends_the_clip_there() -> None:
    class Failing:
        def demux(self, _: object) -> object:
            yield av.Packet(5)
            raise av.error.OSError(5, "Input/output error")

    assert [packet.size for packet in container.packets(Failing(), None)] == [5]


def test_missing_stamps_lie_between_their_neighbours() -> None:
    filled, n_missing = container.filled_stamps([None, 10, None, 30, None, None], 5.0)
    assert filled.tolist() == [5, 10, 20, 30, 35, 40]
    assert n_missing == 4


def test_three_frames_are_enough_for_a_rate(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4", 3, times_s=np.array([0, 0.03, 0.1]))
    assert 1 / 0.07 <= frames.probe(path).fps <= 1 / 0.03


def test_a_matroska_file_cut_short_is_told(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mkv", 100)
    assert frames.probe(path).warnings == ()
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    info = frames.probe(path)
    assert 2 <= info.n_frames < 70
    assert any("cut short" in warning for warning in info.warnings)


def test_nothing_is_fetched_from_elsewhere(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)
        port = server.getsockname()[1]
        path = tmp_path / "clip.m3u8"
        path.write_text(
            "#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXT-X-VERSION:3\n#EXTINF:1.0,\n"
            f"http://127.0.0.1:{port}/clip.ts\n#EXT-X-ENDLIST\n"
        )
        with pytest.raises(ClipError):
            frames.probe(path)
        with pytest.raises(BlockingIOError):
            server.accept()


def test_untagged_high_definition_is_taken_as_bt709(tmp_path: Path) -> None:
    """Common practice, no source: players take untagged clips of over 576 lines as BT.709."""
    for size_px, matrix in ((640, 1), (320, 5)):
        image = np.empty((size_px, size_px, 3), np.uint8)
        for count, colour in enumerate(COLOURS.values()):
            image[:, count * size_px // 4 : (count + 1) * size_px // 4] = colour
        coded = av.VideoFrame.from_ndarray(image, format="rgb24").reformat(
            format="yuv420p", dst_colorspace=matrix, dst_color_range=1
        )
        path = write_clip(
            tmp_path / "clip.mkv",
            [coded.to_ndarray()] * 2,
            codec="ffv1",
            image_format="yuv420p",
            size_px=(size_px, size_px),
        )
        got = next(frames.stream(path)).image
        np.testing.assert_allclose(
            got[5, size_px // 8 :: size_px // 4], list(COLOURS.values()), atol=4
        )


def test_a_clip_damaged_throughout_is_an_error(tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4")
    data = bytearray(path.read_bytes())
    for position, size in packet_places(path):
        data[position : position + size] = bytes(size)
    path.write_bytes(data)
    with pytest.raises(ClipError, match="damaged"):
        frames.probe(path)


def test_sound_beside_the_video_does_no_harm(tmp_path: Path) -> None:
    path = tmp_path / "clip.mp4"
    with av.open(str(path), "w") as container:
        sound = container.add_stream("aac", rate=44100, layout="mono")
        video = container.add_stream("libx264", rate=30)
        video.width, video.height, video.pix_fmt = WIDTH_PX, HEIGHT_PX, "yuv420p"
        for count in range(30):
            noise = av.AudioFrame.from_ndarray(np.zeros((1, 1024), np.float32), "fltp", "mono")
            noise.sample_rate, noise.pts = 44100, count * 1024
            container.mux(sound.encode(noise))
            frame = av.VideoFrame.from_ndarray(numbered(count), "rgb24")
            frame.pts = count
            container.mux(video.encode(frame))
        container.mux(sound.encode(None))
        container.mux(video.encode(None))
    assert [number_of(f.image) for f in frames.stream(path)] == list(range(30))


def test_what_an_edit_list_cuts_off_is_not_shown(tmp_path: Path) -> None:
    """Frames stamped before 0 are cut off by the edit list that the muxer writes for them."""
    times_s = np.arange(60) / 30 - 20 / 30
    path = numbered_clip(tmp_path / "clip.mp4", 60, times_s=times_s)
    info = frames.probe(path)
    got = list(frames.stream(info))
    assert (info.n_frames, info.n_undecodable) == (40, 0)
    assert [number_of(frame.image) for frame in got] == list(range(20, 60))
    assert [frame.index for frame in got] == list(range(40))
    assert_ffprobe_agrees(path, [frame.time_s for frame in got])


@pytest.mark.parametrize("width_px", [90, 95, 96, 130])
def test_images_are_plain_arrays_whatever_the_width(width_px: int, tmp_path: Path) -> None:
    path = write_clip(
        tmp_path / "clip.mkv",
        [numbered(3, width_px)] * 3,
        codec="ffv1",
        pixel_format="bgr0",
    )
    image = next(frames.stream(path)).image
    assert image.flags.c_contiguous
    np.testing.assert_array_equal(image, numbered(3, width_px))


@pytest.mark.parametrize("wrong", [{"every": 0}, {"max_side_px": 0}])
def test_bad_options_are_told_at_the_call(wrong: dict[str, int], tmp_path: Path) -> None:
    path = numbered_clip(tmp_path / "clip.mp4", 3)
    with pytest.raises(OptionError, match="at least 1"):
        frames.stream(path, **wrong)
    with pytest.raises(OptionError, match="positive"):
        frames.sample(path, per_s=0, max_s=1)


def test_the_writer_keeps_times_and_pictures(tmp_path: Path) -> None:
    path = tmp_path / "out.mp4"
    times_s = varied_times_s(40) - varied_times_s(40)[0]
    with VideoWriter(path, WIDTH_PX, HEIGHT_PX) as writer:
        for count, time_s in enumerate(times_s):
            writer.write(numbered(count), time_s)
    assert [p.name for p in tmp_path.iterdir()] == ["out.mp4"]
    got = list(frames.stream(path))
    assert [number_of(frame.image) for frame in got] == list(range(40))
    np.testing.assert_allclose([frame.time_s for frame in got], times_s, atol=1e-4)
    assert_ffprobe_agrees(path, list(times_s), atol=1e-4)


def test_the_writer_makes_what_browsers_play(tmp_path: Path) -> None:
    """H.264 in 4:2:0, 8 bit, index first: what browsers play in a page, common practice."""
    path = tmp_path / "out.mp4"
    with VideoWriter(path, 95, 63, fps=60) as writer:
        for count in range(20):
            writer.write(numbered(count, 95, 63))
            assert not path.exists()
    data = path.read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    with av.open(str(path)) as container:
        video = container.streams.video[0]
        context = video.codec_context
        assert (context.name, context.pix_fmt) == ("h264", "yuv420p")
        assert (context.width, context.height) == (96, 64)
    capture = cv2.VideoCapture(str(path))
    seen = []
    while (read := capture.read())[0]:
        seen.append(number_of(read[1]))
    capture.release()
    assert seen == list(range(20))
    info = frames.probe(path)
    assert info.fps == pytest.approx(60, rel=1e-3)
    assert info.duration_s == pytest.approx(20 / 60, rel=1e-3)


def test_the_last_frame_lasts_as_long_as_the_rate_says(tmp_path: Path) -> None:
    path = tmp_path / "out.mp4"
    with VideoWriter(path, WIDTH_PX, HEIGHT_PX, fps=2) as writer:
        for count in range(4):
            writer.write(numbered(count), count / 10)
    with av.open(str(path)) as container:
        assert container.duration / av.time_base == pytest.approx(0.8, abs=0.002)


def test_the_writer_keeps_colours_and_takes_grey(tmp_path: Path) -> None:
    path = tmp_path / "out.mp4"
    image = np.empty((HEIGHT_PX, WIDTH_PX, 3), np.uint8)
    for count, colour in enumerate(COLOURS.values()):
        image[:, count * 24 : (count + 1) * 24] = colour
    with VideoWriter(path, WIDTH_PX, HEIGHT_PX, crf=5) as writer:
        writer.write(image)
        writer.write(np.full((HEIGHT_PX, WIDTH_PX), 77, np.uint8))
    coloured, grey = (frame.image for frame in frames.stream(path))
    np.testing.assert_allclose(coloured[30, 12::24], list(COLOURS.values()), atol=6)
    np.testing.assert_allclose(grey[30, 12::24], 77, atol=3)


@pytest.mark.parametrize("error", [KeyboardInterrupt, RuntimeError])
def test_the_writer_leaves_nothing_behind_on_error(
    error: type[BaseException], tmp_path: Path
) -> None:
    path = written(tmp_path / "out.mp4", b"what was there")
    with pytest.raises(error), VideoWriter(path, WIDTH_PX, HEIGHT_PX) as writer:
        for count in range(60):
            writer.write(numbered(count))
        raise error
    assert [p.name for p in tmp_path.iterdir()] == ["out.mp4"]
    assert path.read_bytes() == b"what was there"


def test_the_writer_refuses_what_it_cannot_write(tmp_path: Path) -> None:
    with (
        pytest.raises(OutputError, match="cannot be written"),
        VideoWriter(tmp_path / "none" / "out.mp4", 64, 48),
    ):
        pass
    with (
        pytest.raises(ValueError, match="no frame"),
        VideoWriter(tmp_path / "o.mp4", 64, 48),
    ):
        pass
    with (
        pytest.raises(ValueError, match="increase"),
        VideoWriter(tmp_path / "o.mp4", WIDTH_PX, HEIGHT_PX) as writer,
    ):
        writer.write(numbered(0), 0.5)
        writer.write(numbered(1), 0.5)
    with (
        pytest.raises(ValueError, match="expected uint8"),
        VideoWriter(tmp_path / "o.mp4", 64, 48) as writer,
    ):
        writer.write(numbered(0))
    assert list(tmp_path.iterdir()) == []


def test_a_full_disk_is_told(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full on this system")
    target = tmp_path / "out.mp4"
    writer = VideoWriter(target, WIDTH_PX, HEIGHT_PX)
    writer._temporary.symlink_to("/dev/full")
    rng = np.random.default_rng(2)
    with pytest.raises(OutputError, match="cannot be written"), writer:
        for _ in range(20):
            writer.write(rng.integers(0, 255, (HEIGHT_PX, WIDTH_PX, 3), dtype=np.uint8))
    assert list(tmp_path.iterdir()) == []


def test_the_real_clip_streams_whole() -> None:
    path = SHARED / "real" / "clip_handheld_oblique.avi"
    if not path.exists():
        pytest.skip("the real material is not here")
    info = frames.probe(path)
    got = [frame.time_s for frame in frames.stream(info, max_side_px=64)]
    assert_ffprobe_agrees(path, got)
    assert info.fps == pytest.approx(25, rel=1e-4)
