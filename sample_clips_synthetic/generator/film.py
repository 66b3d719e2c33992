"""Draw a clip and encode it."""

from __future__ import annotations

import struct
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
from numpy.typing import NDArray

from .clip import ClipSpec, World, bar_rotation
from .looks import dress, triangles, vertex_normals
from .render import Look, Renderer
from .scenery import barbell_soup, room_soup
from .spotter import Spotter

CLOCK_HZ = 90000


class Film:
    """Draws the frames of a clip.

    Parameters
    ----------
    spec
        The clip.
    """

    def __init__(self, spec: ClipSpec) -> None:
        self.spec = spec
        self.world = World(spec)
        lifter = self.world.lifter
        dressed = dress(lifter.mesh, spec.outfit, spec.seed)
        self.tris = triangles(lifter.mesh.faces)
        camera = spec.camera
        self.renderer = Renderer(
            *room_soup(self.world.room, spec.seed),
            barbell_soup(spec.load),
            (camera.width_px, camera.height_px),
            Look(spec.noise, spec.gain),
            spec.seed,
        )
        self.renderer.add_body(dressed.colours, lifter.mesh.vertices, dressed.materials, self.tris)
        self.clothed = dressed.vertices
        self.spotter = Spotter(spec.spotter, spec.seed) if spec.spotter else None
        if self.spotter is not None:
            mesh = self.spotter.mesh
            clothes = dress(mesh, spec.spotter_outfit, spec.seed + 5)
            self.spotter_clothed = clothes.vertices
            self.renderer.add_body(
                clothes.colours, mesh.vertices, clothes.materials, triangles(mesh.faces)
            )

    def image(self, time_s: float) -> NDArray[np.uint8]:
        """Picture of one exposure that begins at a time of the set."""
        spec, world = self.spec, self.world
        # An exposure is centred on the frame's time, so that truth needs no correction.
        spread = (np.arange(spec.subframes) + 0.5) / spec.subframes - 0.5
        instants = []
        for offset in spread * spec.exposure_s:
            time = time_s + offset
            bar = world.bar(time)
            vertices = world.lifter.skeleton.skin(world.pose(bar), rest=self.clothed)
            bodies = [np.hstack([vertices, vertex_normals(vertices, self.tris)])]
            if self.spotter is not None:
                pose = self.spotter.pose(time, float(bar.middle[1]))
                vertices = self.spotter.skeleton.skin(pose, rest=self.spotter_clothed)
                bodies.append(np.hstack([vertices, vertex_normals(vertices, self.tris)]))
            place = (bar_rotation(bar.axis), bar.middle)
            instants.append((world.view(time), place, bodies))
        return self.renderer.frame(instants)


def encode(spec: ClipSpec, target: Path) -> None:
    """Draw a clip and write it as H.264 in MP4, whole or not at all.

    Parameters
    ----------
    spec
        The clip.
    target
        File to write.
    """
    film = Film(spec)
    times = film.world.times_s
    stamps = np.round((times - times[0]) * CLOCK_HZ).astype(int)
    turned = spec.rotation_deg % 180 != 0
    width, height = spec.camera.width_px, spec.camera.height_px
    partial = target.with_suffix(".partial.mp4")
    with av.open(str(partial), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(spec.fps).limit_denominator(1001))
        stream.width, stream.height = (height, width) if turned else (width, height)
        stream.pix_fmt = "yuv420p"
        stream.options = {"crf": str(spec.crf), "preset": "veryfast", "threads": "2"}
        stream.codec_context.time_base = Fraction(1, CLOCK_HZ)
        for stamp, time in zip(stamps, times, strict=True):
            image = np.rot90(film.image(float(time)), spec.rotation_deg // 90)
            frame = av.VideoFrame.from_ndarray(np.ascontiguousarray(image), format="rgb24")
            frame.pts = int(stamp)
            frame.time_base = Fraction(1, CLOCK_HZ)
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    if spec.rotation_deg:
        _tag_rotation(partial, spec.rotation_deg)
    partial.replace(target)


def _tag_rotation(path: Path, degrees: int) -> None:
    """Write the display matrix of an MP4's first track header (ISO/IEC 14496-12, box ``tkhd``).

    Parameters
    ----------
    path
        File to change in place.
    degrees
        Clockwise turn that a player applies to the coded picture: 90, 180 or 270.
    """
    data = bytearray(path.read_bytes())
    box = data.index(b"tkhd") - 4
    version = data[box + 8]
    matrix = box + 12 + (32 if version == 1 else 20) + 16
    one = 1 << 16
    a, b = {90: (0, one), 180: (-one, 0), 270: (0, -one)}[degrees]
    data[matrix : matrix + 36] = struct.pack(">9i", a, b, 0, -b, a, 0, 0, 0, 1 << 30)
    path.write_bytes(data)
