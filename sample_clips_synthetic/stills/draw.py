"""Draw small square pictures with one OpenGL context a process, and what lies at every pixel."""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import cache

import cv2
import moderngl
import numpy as np
from numpy.typing import NDArray

from ..generator.body import Array
from ..generator.camera import View
from ..generator.render import FAR_M, MATERIALS, NEAR_M
from .codes import Light, rigid

# Twice the picture's size each way, averaged: four samples a pixel.
FINER = 2
SHADOW_PX = 1024
SHADOW_SPAN_M = 2.3
_MORE = """#elif MATERIAL == 13
    albedo = mix(albedo, albedo.brg * 0.6 + 0.25, step(0.5, fract(r.x * 16.0))); shine = 0.01;
#elif MATERIAL == 14
    albedo *= 0.35 + 0.65 * step(0.5, fract(floor(r.x * 30.0) * 0.5 + floor(r.z * 30.0) * 0.5));
#elif MATERIAL == 15
    albedo = mix(albedo, albedo.gbr * 0.5, smoothstep(0.45, 0.55, noise(r * 22.0)));
    albedo *= 0.5 + noise(r * 17.0 + 3.0);
#elif MATERIAL == 16
    albedo *= 0.45 + 0.75 * step(0.35, fract(r.x * 40.0)) * step(0.35, fract(r.z * 40.0));
#else
"""

VERTEX = """
#version 330
uniform mat4 camera; uniform mat4 light; uniform mat4 model;
in vec3 in_position; in vec3 in_normal; in vec3 in_colour; in vec3 in_reference; in vec2 in_code;
out vec3 v_position; out vec3 v_normal; out vec3 v_colour; out vec3 v_reference; out vec4 v_light;
flat out vec2 v_code;
void main() {
    vec4 world = model * vec4(in_position, 1.0);
    v_position = world.xyz;
    v_normal = mat3(model) * in_normal;
    v_colour = in_colour; v_reference = in_reference; v_code = in_code;
    v_light = light * world;
    gl_Position = camera * world;
}
"""

_HEAD = """
#version 330
uniform vec3 eye; uniform vec3 sun; uniform vec3 sun_colour; uniform vec3 sky; uniform vec3 ground;
uniform vec3 fill; uniform vec3 fill_colour; uniform vec3 lamp; uniform vec3 lamp_colour;
uniform vec3 haze; uniform float haze_m; uniform float gain; uniform float soft;
uniform sampler2DShadow shadow; uniform sampler3D grain; uniform float mirrored;
in vec3 v_position; in vec3 v_normal; in vec3 v_colour; in vec3 v_reference; in vec4 v_light;
flat in vec2 v_code;
layout(location = 0) out vec4 colour;
layout(location = 1) out vec2 what;
float hash(vec3 p) {
    p = fract(p * vec3(0.1031, 0.1030, 0.0973));
    p += dot(p, p.yxz + 33.33);
    return fract((p.x + p.y) * p.z);
}
float noise(vec3 p) { return texture(grain, p / 32.0).r; }
void main() {
    vec3 n = normalize(v_normal);
    vec3 view = normalize(eye - v_position);
    vec3 albedo = v_colour;
    float shine = 0.03, hard = 12.0;
    vec3 r = v_reference;
    int material = int(v_code.x + 0.5);
"""

_TAIL = """
    float lit = 0.0;
    vec3 l = min(v_light.xyz * 0.5 + 0.5, vec3(1.0, 1.0, 0.999));
    float turn = hash(vec3(gl_FragCoord.xy, 1.0)) * 6.2831853;
    mat2 spin = mat2(cos(turn), sin(turn), -sin(turn), cos(turn));
    const vec2 tap[4] = vec2[](vec2(-0.33, 0.94), vec2(0.94, -0.2), vec2(-0.75, -0.5),
                               vec2(0.2, -0.3));
    for (int i = 0; i < 4; ++i)
        lit += texture(shadow, vec3(l.xy + spin * tap[i] * soft, l.z - 0.003));
    lit /= 4.0;
    float low = clamp(v_position.y / 0.5, 0.0, 1.0);
    vec3 to_lamp = lamp - v_position;
    float near = dot(to_lamp, to_lamp);
    vec3 light = mix(ground, sky, n.y * 0.5 + 0.5) * (0.72 + 0.28 * low)
               + sun_colour * lit * max(dot(n, sun), 0.0)
               + fill_colour * max(dot(n, fill), 0.0)
               + lamp_colour * max(dot(n, to_lamp) * inversesqrt(near), 0.0) / (0.5 + near);
    float gloss = shine * pow(max(dot(n, normalize(sun + view)), 0.0), hard) * (0.2 + 0.8 * lit);
    float edge = 1.0 - max(dot(n, view), 0.0);
    vec3 shown = albedo * light + gloss * sun_colour + shine * 0.35 * edge * edge * edge * sky;
    if (material == 12) shown = albedo;
    float away = length(eye - v_position);
    shown = mix(shown, haze, 1.0 - exp(-away / haze_m)) * gain;
    colour = vec4(sqrt(clamp(shown, 0.0, 1.0)), 1.0);
    what = vec2(away, mirrored > 0.5 ? 1.0 : v_code.y);
}
"""

_SHADOW_FRAGMENT = "#version 330\nvoid main() {}\n"
_SHADOW_VERTEX = """
#version 330
uniform mat4 camera; uniform mat4 model;
in vec3 in_position;
void main() { gl_Position = camera * model * vec4(in_position, 1.0); }
"""


def _branches(materials: str) -> str:
    """The materials chosen at run time instead of when a program is compiled."""
    text = materials.replace("#else\n", _MORE, 1)
    text = re.sub(r"#if MATERIAL == (\d+)", r"if (material == \1) {", text)
    text = re.sub(r"#elif MATERIAL == (\d+)", r"} else if (material == \1) {", text)
    return text.replace("#else", "} else {").replace("#endif", "}")


@dataclass
class Thing:
    """Something on the graphics card: a vertex buffer, drawn with a picture's and a shadow's."""

    buffer: moderngl.Buffer
    shaded: moderngl.VertexArray
    shadow: moderngl.VertexArray
    index: moderngl.Buffer | None
    closed: bool
    casts: bool

    def release(self) -> None:
        """Give the card's memory back."""
        for part in (self.shaded, self.shadow, self.buffer, self.index):
            if part is not None:
                part.release()


class Painter:
    """Draws pictures of things.

    Parameters
    ----------
    side_px
        Width and height of a picture.
    device
        Which graphics card, as EGL counts them.
    """

    def __init__(self, side_px: int, device: int = 0) -> None:
        self.context = moderngl.create_context(standalone=True, backend="egl", device_index=device)
        self.side_px = side_px
        self.full = FINER * side_px
        context, size = self.context, (self.full, self.full)
        self.what = context.texture(size, 2, dtype="f4")
        self.colour = context.texture(size, 4)
        self.target = context.framebuffer(
            [self.colour, self.what], context.depth_renderbuffer(size)
        )
        self.shadow_depth = context.depth_texture((SHADOW_PX, SHADOW_PX))
        self.shadow_depth.compare_func = "<="
        self.shadow_depth.repeat_x = self.shadow_depth.repeat_y = False
        self.shadow_target = context.framebuffer(depth_attachment=self.shadow_depth)
        fragment = _HEAD + _branches(MATERIALS) + _TAIL
        self.program = context.program(VERTEX, fragment)
        self.shadow_program = context.program(_SHADOW_VERTEX, _SHADOW_FRAGMENT)
        self.program["shadow"].value, self.program["grain"].value = 0, 1
        noise = np.random.default_rng(7).random((32, 32, 32))
        self.noise = context.texture3d((32, 32, 32), 1, (noise * 255).astype(np.uint8).tobytes())
        self.noise.filter = (moderngl.LINEAR, moderngl.LINEAR)

    def thing(
        self,
        data: NDArray[np.float32],
        tris: NDArray[np.int64] | None = None,
        closed: bool = False,
        casts: bool = True,
    ) -> Thing:
        """Put something on the card.

        Parameters
        ----------
        data
            Vertices as `rows` makes them, (n, 14).
        tris
            Triangles, (m, 3); None: three vertices each in turn.
        closed
            Whether back faces are never seen.
        casts
            Whether it throws a shadow.
        """
        buffer = self.context.buffer(np.ascontiguousarray(data).tobytes())
        index = None if tris is None else self.context.buffer(tris.astype("i4").tobytes())
        names = ("in_position", "in_normal", "in_colour", "in_reference", "in_code")
        shaded = self.context.vertex_array(
            self.program, [(buffer, "3f 3f 3f 3f 2f", *names)], index
        )
        shadow = self.context.vertex_array(
            self.shadow_program, [(buffer, "3f 44x", "in_position")], index
        )
        return Thing(buffer, shaded, shadow, index, closed, casts)

    def picture(
        self, view: View, light: Light, things: list[tuple[Thing, NDArray[np.float64]]]
    ) -> tuple[NDArray[np.uint8], NDArray[np.float32]]:
        """Draw things as a camera sees them.

        Parameters
        ----------
        view
            Camera; its distortion is not drawn.
        light
            Light.
        things
            Things and the (4, 4) that places each; one that mirrors shows a thing in a mirror.

        Returns
        -------
        image
            (side, side, 3) RGB.
        what
            Distance from the eye, metres, and group of what is seen, (2 side, 2 side, 2); a
            distance of 0 where nothing is.
        """
        context = self.context
        context.enable(moderngl.DEPTH_TEST)
        shade = _light_matrix(light.sun)
        self.shadow_target.use()
        self.shadow_target.clear(depth=1.0)
        self.shadow_program["camera"].write(shade.T.astype("f4").tobytes())
        for thing, place in things:
            if thing.casts and not _mirrors(place):
                self.shadow_program["model"].write(place.T.astype("f4").tobytes())
                thing.shadow.render()
        self.target.use()
        self.target.clear(0.0, 0.0, 0.0, 0.0, depth=1.0)
        self.shadow_depth.use(0)
        self.noise.use(1)
        program = self.program
        program["camera"].write(self._camera_matrix(view).T.astype("f4").tobytes())
        program["light"].write(shade.T.astype("f4").tobytes())
        program["eye"].value = tuple(view.centre)
        for name in (
            "sun", "sun_colour", "sky", "ground", "fill", "fill_colour", "lamp", "lamp_colour",
            "haze",
        ):  # fmt: skip
            program[name].value = tuple(map(float, getattr(light, name)))
        for name in ("haze_m", "gain", "soft"):
            program[name].value = float(getattr(light, name))
        for thing, place in things:
            mirrored = _mirrors(place)
            # What is seen in a mirror is scenery, and has its front faces the other way round.
            program["mirrored"].value = float(mirrored)
            culled = thing.closed and not mirrored
            (context.enable if culled else context.disable)(moderngl.CULL_FACE)
            program["model"].write(place.T.astype("f4").tobytes())
            thing.shaded.render()
        context.disable(moderngl.CULL_FACE)
        full = self.full
        raw = self.target.read(components=3, alignment=1)
        fine = np.frombuffer(raw, np.uint8).reshape(full, full, 3)[::-1]
        image = cv2.resize(fine, (self.side_px, self.side_px), interpolation=cv2.INTER_AREA)
        seen = self.target.read(components=2, attachment=1, dtype="f4", alignment=1)
        return image, np.frombuffer(seen, np.float32).reshape(full, full, 2)[::-1]

    def _camera_matrix(self, view: View) -> NDArray[np.float64]:
        side = self.side_px
        f, cx, cy = view.focal_px, view.cx_px, view.cy_px
        a = (FAR_M + NEAR_M) / (FAR_M - NEAR_M)
        b = -2 * FAR_M * NEAR_M / (FAR_M - NEAR_M)
        projection = np.array(
            [
                [2 * f / side, 0, 2 * (cx + 0.5) / side - 1, 0],
                [0, -2 * f / side, 1 - 2 * (cy + 0.5) / side, 0],
                [0, 0, a, b],
                [0, 0, 1, 0],
            ]
        )
        return projection @ rigid(view.rotation, -view.rotation @ view.centre)


def _mirrors(place: NDArray[np.float64]) -> bool:
    return float(np.linalg.det(place[:3, :3])) < 0


def _light_matrix(sun: Array) -> NDArray[np.float64]:
    z = -sun
    x = np.cross(z, [1.0, 0.0, 0.02])
    x /= np.linalg.norm(x)
    rotation = np.stack([x, np.cross(z, x), z])
    centre = np.array([-0.2, 0.6, 0.0])
    scale = np.diag([1 / SHADOW_SPAN_M, 1 / SHADOW_SPAN_M, 1 / 4.0, 1.0])
    return scale @ rigid(rotation, -rotation @ centre)


@cache
def painter(side_px: int, device: int) -> Painter:
    """Painter of the calling process; made once."""
    return Painter(side_px, device)
