"""Clothes, hair and skin of a body: vertex colours by region, and cloth a little loose."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_matrix, csr_matrix, diags

from .body import SIDES, TAG, Array, Mesh

SKIN, CLOTH, HAIR, SHOE, EYE = 1.0, 2.0, 7.0, 8.0, 9.0


@dataclass(frozen=True)
class Outfit:
    """Colours (linear RGB, 0..1) and cuts of the clothes; ``cloth`` is the shirt's material."""

    skin: tuple[float, float, float] = (0.52, 0.30, 0.20)
    shirt: tuple[float, float, float] = (0.62, 0.62, 0.60)
    shorts: tuple[float, float, float] = (0.03, 0.04, 0.09)
    shoes: tuple[float, float, float] = (0.75, 0.75, 0.75)
    hair: tuple[float, float, float] = (0.03, 0.02, 0.015)
    sleeve_share: float = 0.45
    leg_share: float = 0.75
    belt: bool = False
    # Sleeves down the forearm (share of its length), and how far cloth stands off the arms.
    forearm_share: float = 0.0
    loose_m: float = 0.0
    bare_chest: bool = False
    hood: bool = False
    # Colours of wraps round the wrists and of gloves; None: none.
    wraps: tuple[float, float, float] | None = None
    gloves: tuple[float, float, float] | None = None
    long_hair: bool = False
    cloth: float = CLOTH


@dataclass(frozen=True)
class DressedMesh:
    """Rest vertices with clothes, colours and material codes, one row a vertex."""

    vertices: Array
    colours: Array
    materials: Array


def triangles(faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """Split quadrilaterals into triangles, (2 n, 3)."""
    return np.concatenate([faces[:, [0, 1, 2]], faces[:, [0, 2, 3]]])


def vertex_normals(vertices: Array, tris: NDArray[np.int64]) -> Array:
    """Area-weighted unit normals of the vertices, (n, 3)."""
    corner = vertices[tris]
    normal = np.cross(corner[:, 1] - corner[:, 0], corner[:, 2] - corner[:, 0])
    total = np.zeros_like(vertices)
    for axis in range(3):
        for column in range(3):
            total[:, axis] += np.bincount(
                tris[:, column], weights=normal[:, axis], minlength=len(vertices)
            )
    length = np.linalg.norm(total, axis=1, keepdims=True)
    return total / np.maximum(length, 1e-12)


@lru_cache(maxsize=4)
def _averaging(packed: bytes, n: int) -> csr_matrix:
    tris = np.frombuffer(packed, np.int64).reshape(-1, 3)
    i = np.concatenate([tris[:, 0], tris[:, 1], tris[:, 2]])
    j = np.concatenate([tris[:, 1], tris[:, 2], tris[:, 0]])
    links = coo_matrix((np.ones(len(i)), (i, j)), shape=(n, n)).tocsr()
    links = ((links + links.T) > 0).astype(float)
    degree = np.maximum(np.asarray(links.sum(axis=1)).ravel(), 1)
    return diags(1 / degree) @ links


def dress(mesh: Mesh, outfit: Outfit, seed: int) -> DressedMesh:
    """Dress a body.

    Parameters
    ----------
    mesh
        Body in its rest pose.
    outfit
        Colours and cuts.
    seed
        Seed of the folds in the cloth.
    """
    rng = np.random.default_rng(seed)
    tris = triangles(mesh.faces)
    vertices = mesh.vertices.copy()
    n = len(vertices)

    starts = mesh.starting

    def along(first: str, last: str) -> Array:
        share = np.zeros(n)
        for side in SIDES:
            a = mesh.heads[mesh.bone(f"{first}.{TAG[side]}")]
            b = mesh.heads[mesh.bone(f"{last}.{TAG[side]}")]
            mine = np.sign(vertices[:, 2]) == np.sign(a[2])
            share[mine] = (vertices[mine] - a) @ (b - a) / ((b - a) @ (b - a))
        return share

    arm, leg = along("upperarm01", "lowerarm01"), along("upperleg01", "lowerleg01")
    forearm = along("lowerarm01", "wrist")
    waist = mesh.heads[mesh.bone("spine04")][0] - 0.03
    trunk = starts("spine", "breast", "clavicle", "shoulder01")
    neck_front = starts("neck01") & (vertices[:, 0] < mesh.heads[mesh.bone("neck01")][0] + 0.01)
    shirt = trunk | neck_front | (starts("upperarm") & (arm < outfit.sleeve_share))
    if outfit.forearm_share > 0:
        shirt |= starts("lowerarm") & (forearm < outfit.forearm_share)
    seat = starts("pelvis", "root")
    middle = trunk | seat | starts("upperleg01")
    shorts = (starts("upperleg") & (leg < outfit.leg_share)) | (middle & (vertices[:, 0] < waist))
    if outfit.leg_share > 1:
        shorts |= starts("lowerleg") & (vertices[:, 0] > vertices[:, 0].min() + 0.14)
    shirt &= ~shorts
    if outfit.bare_chest:
        shirt = np.zeros_like(shirt)
    shoes = starts("foot", "toe")
    head = starts(
        "head", "jaw", "temporalis", "oculi", "orbicularis", "levator", "oris", "risorius"
    )
    eyes = [mesh.vertices[starts(f"eye.{TAG[s]}")].mean(axis=0) for s in SIDES]
    eye_level, eye_front = eyes[0][0], eyes[0][1]
    hair = starts("head") & (
        (vertices[:, 0] > eye_level + 0.065)
        | ((vertices[:, 1] < eye_front - 0.085) & (vertices[:, 0] > eye_level - 0.045))
    )

    if outfit.hood:
        hair |= starts("head", "neck", "temporalis") & (vertices[:, 1] < eye_front - 0.045)
    elif outfit.long_hair:
        hair |= starts("head", "neck") & (vertices[:, 1] < eye_front - 0.10)

    smooth = _averaging(tris.tobytes(), n)
    for region, rounds in ((shoes, 90), (shirt, 6), (shorts, 6)):
        rows = smooth[region]
        for _ in range(rounds):
            vertices[region] = rows @ vertices
    normals = vertex_normals(vertices, tris)
    folds = rng.normal(size=n)
    for _ in range(4):
        folds = smooth @ folds
    folds /= folds.std()
    sleeve = starts("upperarm", "lowerarm")
    slack = 0.007 + outfit.loose_m * np.where(sleeve, 1.0, 0.5)
    vertices += (
        normals
        * (
            shirt * (slack + (0.0018 + 0.25 * outfit.loose_m) * folds)
            + shorts * (0.010 + 0.0025 * folds)
            + shoes * 0.016
            + hair * (0.02 if outfit.hood else 0.008)
        )[:, None]
    )

    colours = np.tile(np.array(outfit.skin), (n, 1))
    materials = np.full(n, SKIN)
    lips = starts("oris")
    colours[lips] *= np.array([1.0, 0.72, 0.75])
    fingers = starts("finger", "metacarpal", "wrist")
    colours[fingers] *= np.array([1.05, 0.95, 0.92])
    if outfit.wraps is not None:
        wrapped = starts("wrist", "lowerarm") & (forearm > 0.80) & ~shirt
        wrapped |= starts("wrist") & (forearm < 1.25)
        colours[wrapped], materials[wrapped] = outfit.wraps, CLOTH
    if outfit.gloves is not None:
        colours[fingers], materials[fingers] = outfit.gloves, CLOTH
    for region, colour, code in (
        (hair, outfit.shirt if outfit.hood else outfit.hair, CLOTH if outfit.hood else HAIR),
        (shirt, outfit.shirt, outfit.cloth),
        (shorts, outfit.shorts, CLOTH),
        (shoes, outfit.shoes, SHOE),
    ):
        colours[region] = colour
        materials[region] = code
    for centre in eyes:
        offset = vertices - centre
        side = np.hypot(offset[:, 0], offset[:, 2])
        ball = starts("eye") & (np.linalg.norm(offset, axis=1) < 0.03)
        colours[ball] = 0.75
        colours[ball & (side < 0.0065)] = 0.03
        materials[ball] = EYE
        brow = head & (np.abs(offset[:, 0] - 0.026) < 0.005) & (np.abs(offset[:, 2]) < 0.022)
        brow &= offset[:, 1] > -0.005
        colours[brow] = outfit.hair
    if outfit.belt:
        belt = (np.abs(vertices[:, 0] - waist - 0.03) < 0.05) & trunk
        colours[belt] = (0.02, 0.02, 0.02)
    return DressedMesh(vertices, colours, materials)


__all__ = ["DressedMesh", "Outfit", "dress", "triangles", "vertex_normals"]
