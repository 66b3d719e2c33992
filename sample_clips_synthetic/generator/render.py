"""Draw the scene with OpenGL (a software rasteriser will do) and add what a phone's camera adds."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import moderngl
import numpy as np
from numpy.typing import NDArray

from .camera import View
from .scenery import Soup

SHADOW_PX = 1536
LIGHT = np.array([0.28, 1.0, -0.35])
NEAR_M, FAR_M = 0.15, 30.0

VERTEX = """
#version 330
uniform mat4 camera;
uniform mat4 light;
uniform mat4 model;
in vec3 in_position; in vec3 in_normal; in vec3 in_colour; in vec3 in_reference;
invariant gl_Position;
out vec3 v_position; out vec3 v_normal; out vec3 v_colour; out vec3 v_reference; out vec4 v_light;
void main() {
    vec4 world = model * vec4(in_position, 1.0);
    v_position = world.xyz;
    v_normal = mat3(model) * in_normal;
    v_colour = in_colour; v_reference = in_reference;
    v_light = light * world;
    gl_Position = camera * world;
}
"""

# What a material does to ``albedo``, ``shine`` and ``hard``; ``n``: normal, ``r``: reference.
MATERIALS = """#if MATERIAL == 1
 albedo *= 0.86 + 0.28 * noise(r * 28.0); shine = 0.10; hard = 18.0;
#elif MATERIAL == 2
 albedo *= 0.78 + 0.30 * noise(r * vec3(45.0, 30.0, 45.0)) + 0.14 * noise(r * 130.0); shine = 0.01;
#elif MATERIAL == 3

        float speck = noise(r * 95.0);
        albedo *= 0.75 + 0.5 * noise(r * 6.0);
        albedo += vec3(0.10, 0.11, 0.14) * smoothstep(0.80, 0.90, speck);
        vec2 seam = abs(fract(r.xz) - 0.5);
        albedo *= 1.0 - 0.55 * smoothstep(0.492, 0.497, max(seam.x, seam.y));
        shine = 0.05;

#elif MATERIAL == 4

        vec2 q = (abs(n.x) > 0.5) ? r.zy : r.xy;
        q.x += 0.2 * mod(floor(q.y / 0.2), 2.0);
        vec2 cell = floor(q / vec2(0.4, 0.2));
        vec2 f = fract(q / vec2(0.4, 0.2));
        float joint = step(f.x, 0.03) + step(f.y, 0.05);
        albedo *= 0.82 + 0.22 * hash(vec3(cell, 3.0)) + 0.16 * noise(r * 9.0);
        albedo *= 1.0 - 0.28 * clamp(joint, 0.0, 1.0);

#elif MATERIAL == 5
 albedo *= 0.9 + 0.2 * noise(r * 20.0); shine = 0.45; hard = 45.0;
#elif MATERIAL == 6

        float rad = length(r.xy), ang = atan(r.y, r.x);
        albedo *= 0.85 + 0.3 * noise(vec3(r.xy * 9.0, v_colour.r * 50.0));
        float slot = ang / 6.2831853 * 30.0;
        float id = floor(slot);
        float gap = step(0.5, abs(mod(id, 15.0) - 7.0) / 5.0);
        vec2 g = vec2(fract(slot), (rad - 0.50) / 0.20);
        if (gap < 0.5 && g.y > 0.0 && g.y < 1.0 && g.x > 0.12 && g.x < 0.85) {
            vec2 cell = floor(vec2((g.x - 0.12) / 0.73 * 3.0, g.y * 5.0));
            if (hash(vec3(cell, id * 7.0 + 3.0)) > 0.42)
                albedo = mix(albedo, vec3(0.45, 0.45, 0.42), 0.75);
        }
        if (abs(rad - 0.93) < 0.012) albedo = mix(albedo, vec3(0.4), 0.35);
        shine = 0.14; hard = 20.0;

#elif MATERIAL == 7
 albedo *= 0.7 + 0.6 * noise(r * vec3(60.0, 60.0, 120.0)); shine = 0.08;
#elif MATERIAL == 8
 albedo *= 0.6 + 0.5 * noise(r * 35.0); if (r.x < -0.795) albedo = vec3(0.6);
#elif MATERIAL == 9
 shine = 0.5; hard = 60.0;
#elif MATERIAL == 10

        vec3 c = floor(r / 0.065);
        albedo *= 0.35 + 1.1 * hash(c + 5.0);
        albedo = mix(albedo, albedo.gbr, step(0.6, hash(c + 11.0)));

#elif MATERIAL == 11
 albedo *= 0.8 + 0.4 * noise(r * 40.0); shine = 0.20; hard = 25.0;
#else
 albedo *= 0.85 + 0.3 * noise(r * 14.0);
#endif
"""

FRAGMENT = (
    """
#version 330
#define MATERIAL {material}
uniform vec3 eye; uniform vec3 sun; uniform float gain;
uniform sampler2DShadow shadow;
in vec3 v_position; in vec3 v_normal; in vec3 v_colour; in vec3 v_reference; in vec4 v_light;
out vec4 colour;

uniform sampler3D grain;
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

"""
    + MATERIALS
    + """
    float lit = 0.0;
    vec3 l = min(v_light.xyz * 0.5 + 0.5, vec3(1.0, 1.0, 0.999));
    float turn = hash(vec3(gl_FragCoord.xy, 1.0)) * 6.2831853;
    mat2 spin = mat2(cos(turn), sin(turn), -sin(turn), cos(turn));
    const vec2 tap[4] = vec2[](vec2(-0.33, 0.94), vec2(0.94, -0.2), vec2(-0.75, -0.5),
                               vec2(0.2, -0.3));
    for (int i = 0; i < 4; ++i)
        lit += texture(shadow, vec3(l.xy + spin * tap[i] * 0.0042, l.z - 0.0015));
    lit /= 4.0;
    float facing = max(dot(n, sun), 0.0);
    vec3 fill = normalize(vec3(-0.6, 0.35, 0.5));
    float low = clamp(v_position.y / 0.5, 0.0, 1.0);
    vec3 ambient = mix(vec3(0.26, 0.25, 0.24), vec3(0.50, 0.52, 0.56), n.y * 0.5 + 0.5)
                 * (0.72 + 0.28 * low);
    vec3 light = ambient + vec3(0.95, 0.92, 0.86) * lit * facing
               + vec3(0.22, 0.23, 0.26) * max(dot(n, fill), 0.0)
               + vec3(0.12) * max(dot(n, normalize(vec3(0.5, 0.3, -0.8))), 0.0);
    float gloss = 0.0, edge = 0.0;
    if (shine > 0.0) {
        gloss = shine * pow(max(dot(n, normalize(sun + view)), 0.0), hard) * (0.25 + 0.75 * lit);
        edge = 1.0 - max(dot(n, view), 0.0);
        edge = shine * 0.35 * edge * edge * edge;
    }
    vec3 shown = (albedo * light + gloss + edge) * gain;
    colour = vec4(sqrt(clamp(shown, 0.0, 1.0)), 1.0);
}
"""
)

DEPTH_FRAGMENT = """
#version 330
#define MATERIAL {material}
void main() {}
"""


@dataclass(frozen=True)
class Look:
    """What the sensor adds: ``noise`` in grey levels, ``gain`` of the exposure."""

    noise: float = 2.5
    gain: float = 1.25


class _Drawable:
    """One vertex buffer drawn with one program for each material in it."""

    def __init__(
        self,
        renderer: Renderer,
        parts: list[tuple],
        runs: list[tuple[int, moderngl.Buffer]],
        closed: bool,
    ) -> None:
        """``parts`` as moderngl takes them, ``runs`` of (material, index buffer)."""
        context = renderer.context
        self.closed = closed
        self.position, layout = parts[0][:2]
        self.shaded = []
        for material, index in runs:
            program = renderer.program(material)
            known = [
                (buffer, *_without(layout, names, program)) for buffer, layout, *names in parts
            ]
            self.shaded.append((program, context.vertex_array(program, known, index)))
        only = (self.position, f"3f {12 * (len(layout.split()) - 1)}x", "in_position")
        every = context.buffer(b"".join(index.read() for _, index in runs))
        self.depth = context.vertex_array(renderer.depth_program, [only], every)


def _without(layout: str, names: list[str], program: moderngl.Program) -> tuple[str, ...]:
    """Drop attributes that a program does not use."""
    fields, kept = [], []
    for code, name in zip(layout.split(), names, strict=True):
        if name in program:
            fields.append(code)
            kept.append(name)
        else:
            fields.append(f"{4 * int(code[0])}x")
    return (" ".join(fields), *kept)


class Renderer:
    """Draws frames of one scene.

    Parameters
    ----------
    shell
        Walls and floor, which cast no shadow.
    furniture
        Scenery that never moves.
    stage
        Still scenery on which shadows of moving things are seen.
    bar
        Loaded bar about z, its middle at the origin.
    size
        Width and height of the picture, pixels.
    look
        Sensor.
    seed
        Seed of the sensor's noise.
    """

    def __init__(
        self,
        shell: Soup,
        furniture: Soup,
        stage: Soup,
        bar: Soup,
        size: tuple[int, int],
        look: Look,
        seed: int,
    ) -> None:
        self.context = moderngl.create_context(standalone=True, backend="egl")
        self.size = size
        self.look = look
        self.margin = (round(size[0] * 0.03), round(size[1] * 0.03))
        full = (size[0] + 2 * self.margin[0], size[1] + 2 * self.margin[1])
        self.full = full
        context = self.context
        self.target = context.framebuffer(
            [context.renderbuffer(full, samples=4)], context.depth_renderbuffer(full, samples=4)
        )
        self.base = context.framebuffer(
            [context.renderbuffer(full, samples=4)], context.depth_renderbuffer(full, samples=4)
        )
        self.base_view: View | None = None
        self.light = self._light_matrix()
        self.resolved = context.framebuffer([context.renderbuffer(full)])
        self.shadow_depth = context.depth_texture((SHADOW_PX, SHADOW_PX))
        self.shadow_depth.compare_func = "<="
        self.shadow_depth.repeat_x = self.shadow_depth.repeat_y = False
        self.shadow_target = context.framebuffer(depth_attachment=self.shadow_depth)
        self.programs: dict[int, moderngl.Program] = {}
        self.depth_program = context.program(VERTEX, DEPTH_FRAGMENT)
        noise = np.random.default_rng(7).random((32, 32, 32))
        self.noise = context.texture3d((32, 32, 32), 1, (noise * 255).astype(np.uint8).tobytes())
        self.noise.filter = (moderngl.LINEAR, moderngl.LINEAR)
        self.shell, self.furniture, self.stage, self.bar = (
            self._static(s) for s in (shell, furniture, stage, bar)
        )
        self.bodies: list[_Drawable] = []
        self.rng = np.random.default_rng(seed)
        grain = self.rng.normal(size=(size[1] * 2, size[0] * 2, 3))
        grain = cv2.GaussianBlur(grain, (0, 0), 0.6)
        self.grain = np.round(grain * look.noise / grain.std()).astype(np.int16)
        self.map: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None

    def program(self, material: int) -> moderngl.Program:
        """Shader of a material."""
        if material not in self.programs:
            fragment = FRAGMENT.replace("{material}", str(material))
            program = self.context.program(VERTEX, fragment)
            program["shadow"].value = 0
            if "grain" in program:
                program["grain"].value = 1
            program["sun"].value = tuple(LIGHT / np.linalg.norm(LIGHT))
            program["gain"].value = self.look.gain
            self.programs[material] = program
        return self.programs[material]

    def _static(self, soup: Soup) -> _Drawable:
        data = np.column_stack([soup.position, soup.normal, soup.colour, soup.reference])
        buffer = self.context.buffer(data.astype("f4").tobytes())
        names = ("in_position", "in_normal", "in_colour", "in_reference")
        return _Drawable(
            self,
            [(buffer, "3f 3f 3f 3f", *names)],
            self._runs(soup.material.reshape(-1, 3)[:, 0]),
            False,
        )

    def _runs(
        self, material: NDArray[np.float64], tris: NDArray[np.int64] | None = None
    ) -> list[tuple[int, moderngl.Buffer]]:
        if tris is None:
            tris = np.arange(3 * len(material)).reshape(-1, 3)
        return [
            (int(code), self.context.buffer(tris[material == code].astype("i4").tobytes()))
            for code in np.unique(material)
        ]

    def add_body(
        self, colours: NDArray, reference: NDArray, materials: NDArray, tris: NDArray[np.int64]
    ) -> None:
        """Register a body whose vertices change from frame to frame."""
        moving = self.context.buffer(reserve=len(colours) * 24)
        fixed = self.context.buffer(np.column_stack([colours, reference]).astype("f4").tobytes())
        parts = [
            (moving, "3f 3f", "in_position", "in_normal"),
            (fixed, "3f 3f", "in_colour", "in_reference"),
        ]
        self.bodies.append(_Drawable(self, parts, self._runs(materials[tris[:, 0]], tris), True))

    def _camera_matrix(self, view: View) -> NDArray[np.float64]:
        width, height = self.full
        cx, cy = view.cx_px + self.margin[0], view.cy_px + self.margin[1]
        f = view.focal_px
        a = (FAR_M + NEAR_M) / (FAR_M - NEAR_M)
        b = -2 * FAR_M * NEAR_M / (FAR_M - NEAR_M)
        projection = np.array(
            [
                [2 * f / width, 0, 2 * (cx + 0.5) / width - 1, 0],
                [0, -2 * f / height, 1 - 2 * (cy + 0.5) / height, 0],
                [0, 0, a, b],
                [0, 0, 1, 0],
            ]
        )
        return projection @ _rigid(view.rotation, -view.rotation @ view.centre)

    def _light_matrix(self) -> NDArray[np.float64]:
        z = -LIGHT / np.linalg.norm(LIGHT)
        x = np.cross(z, [1.0, 0, 0])
        x /= np.linalg.norm(x)
        rotation = np.stack([x, np.cross(z, x), z])
        centre = np.array([-0.2, 0.6, 0.0])
        scale = np.diag([1 / 2.2, 1 / 2.2, 1 / 4.0, 1.0])
        return scale @ _rigid(rotation, -rotation @ centre)

    def _draw_once(
        self, view: View, bar_pose: tuple[NDArray, NDArray], bodies: list[NDArray]
    ) -> NDArray[np.uint8]:
        context, still = self.context, np.eye(4)
        for body, data in zip(self.bodies, bodies, strict=True):
            body.position.write(data.astype("f4").tobytes())
        people = [(body, still) for body in self.bodies]
        scenery = [(self.furniture, still), (self.shell, still)]
        moving = [*people, (self.bar, _rigid(*bar_pose)), (self.stage, still)]
        context.enable(moderngl.DEPTH_TEST)
        if not self._same_view(view):
            self._cast_shadows([(self.furniture, still), (self.stage, still)])
            self.base.use()
            self.base.clear(0.2, 0.2, 0.2, 1.0)
            self._shade(view, scenery)
            self.base_view = view
        self._cast_shadows([*moving, (self.furniture, still)])
        context.copy_framebuffer(self.target, self.base)
        self.target.use()
        self._shade(view, moving)
        context.copy_framebuffer(self.resolved, self.target)
        raw = self.resolved.read(components=3, alignment=1)
        return np.frombuffer(raw, np.uint8).reshape(self.full[1], self.full[0], 3)[::-1]

    def _same_view(self, view: View) -> bool:
        """Whether the scenery drawn last can be used again; only the stage shows moving shadows."""
        old = self.base_view
        return (
            old is not None
            and np.array_equal(old.centre, view.centre)
            and np.array_equal(old.rotation, view.rotation)
        )

    def _cast_shadows(self, groups: list[tuple[_Drawable, NDArray[np.float64]]]) -> None:
        self.shadow_target.use()
        self.shadow_target.clear(depth=1.0)
        self.depth_program["camera"].write(self.light.T.astype("f4").tobytes())
        for drawable, place in groups:
            self.depth_program["model"].write(place.T.astype("f4").tobytes())
            drawable.depth.render()

    def _shade(self, view: View, groups: list[tuple[_Drawable, NDArray[np.float64]]]) -> None:
        """Draw from near to far, so that little is drawn twice."""
        camera = self._camera_matrix(view)
        self.shadow_depth.use(0)
        self.noise.use(1)
        for program in self.programs.values():
            program["camera"].write(camera.T.astype("f4").tobytes())
            program["light"].write(self.light.T.astype("f4").tobytes())
            program["eye"].value = tuple(view.centre)
        for drawable, place in groups:
            if drawable.closed:
                self.context.enable(moderngl.CULL_FACE)
            for program, array in drawable.shaded:
                program["model"].write(place.T.astype("f4").tobytes())
                array.render()
            self.context.disable(moderngl.CULL_FACE)

    def _lens(self, view: View) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        if self.map is None:
            width, height = self.size
            u, v = np.meshgrid(np.arange(width), np.arange(height))
            x = (u - view.cx_px) / view.focal_px
            y = (v - view.cy_px) / view.focal_px
            ux, uy = x.copy(), y.copy()
            for _ in range(20):
                r2 = ux**2 + uy**2
                factor = 1 + view.k1 * r2 + view.k2 * r2**2
                ux, uy = x / factor, y / factor
            self.map = (
                (ux * view.focal_px + view.cx_px + self.margin[0]).astype(np.float32),
                (uy * view.focal_px + view.cy_px + self.margin[1]).astype(np.float32),
            )
        return self.map

    def frame(
        self, instants: list[tuple[View, tuple[NDArray, NDArray], list[NDArray]]]
    ) -> NDArray[np.uint8]:
        """One exposure.

        Parameters
        ----------
        instants
            For each instant within the exposure: the camera, the bar's rotation and middle, and for
            each body its vertices and normals side by side, (n, 6).
        """
        if len(instants) == 1:
            mean = self._draw_once(*instants[0])
        else:
            total = np.zeros((self.full[1], self.full[0], 3), np.uint16)
            for instant in instants:
                total += self._draw_once(*instant)
            mean = (total // len(instants)).astype(np.uint8)
        image = cv2.remap(mean, *self._lens(instants[0][0]), cv2.INTER_CUBIC)
        height, width = image.shape[:2]
        dy, dx = self.rng.integers(0, height), self.rng.integers(0, width)
        grain = self.grain[dy : dy + height, dx : dx + width]
        return cv2.add(image, grain, dtype=cv2.CV_8U)


def _rigid(rotation: NDArray, shift: NDArray) -> NDArray[np.float64]:
    matrix = np.eye(4)
    matrix[:3, :3] = rotation
    matrix[:3, 3] = shift
    return matrix
