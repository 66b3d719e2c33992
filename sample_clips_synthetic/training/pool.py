"""Pictures for training, held where the network trains; shards are taken up while more are made."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from ..stills.maker import TAGS
from .points import POINTS, SEEN, STILL_PX, UNKNOWN

FACTS = ("px_per_m", "azimuth_deg", "elevation_deg", "distance_m", "body")


@dataclass
class Pool:
    """Stills with their labels on one device.

    Attributes
    ----------
    images
        (capacity, 320, 320, 3) uint8.
    points, states, pressing
        (capacity, P, 2) pixels, (capacity, P) codes, (capacity,) 0, 1, or -1 where nobody said.
    facts
        (capacity, 5), the columns of ``FACTS``; NaN for real people.
    tags
        (capacity, k) whatever else the maker tells of a still, in the order of its ``TAGS``.
    weight
        (capacity,) how often a still is drawn against others; grows where the network errs.
    count
        How many are filled.
    """

    images: Tensor
    points: Tensor
    states: Tensor
    pressing: Tensor
    facts: Tensor
    tags: Tensor
    weight: Tensor
    count: int = 0
    taken: set[str] = field(default_factory=set)

    @staticmethod
    def empty(capacity: int, device: torch.device, tags: int = len(TAGS)) -> Pool:
        """Room for a number of stills."""
        n_points = len(POINTS)
        return Pool(
            torch.empty(capacity, STILL_PX, STILL_PX, 3, dtype=torch.uint8, device=device),
            torch.empty(capacity, n_points, 2, device=device),
            torch.empty(capacity, n_points, dtype=torch.int64, device=device),
            torch.empty(capacity, device=device),
            torch.full((capacity, len(FACTS)), torch.nan, device=device),
            torch.zeros(capacity, tags, device=device),
            torch.ones(capacity, device=device),
        )

    def add(self, shard: dict[str, np.ndarray]) -> None:
        """Take up as many of a shard's stills as there is room for."""
        room = min(len(shard["image"]), len(self.images) - self.count)
        at = slice(self.count, self.count + room)
        device = self.images.device

        def put(target: Tensor, name: str) -> None:
            target[at] = torch.from_numpy(shard[name][:room]).to(device).to(target.dtype)

        put(self.images, "image")
        put(self.points, "points")
        # What is not there has no place; a number far away keeps arithmetic clean.
        self.points[at].nan_to_num_(nan=-9999.0)
        put(self.states, "states")
        put(self.pressing, "pressing")
        if "numbers" in shard:
            put(self.facts, "numbers")
            put(self.tags, "tags")
        self.count += room

    def take_up(self, folder: Path) -> int:
        """Take up the shards of a folder that are not in yet; returns how many there were."""
        new = 0
        for path in sorted(folder.glob("*.npz")):
            # A dot begins the name of a shard that is still being written.
            full = self.count >= len(self.images)
            if full or path.name.startswith(".") or path.name in self.taken:
                continue
            with np.load(path) as archive:
                shard = {name: archive[name] for name in archive.files}
            self.add(shard)
            self.taken.add(path.name)
            new += 1
        return new

    def follow(self, folder: Path, stop: threading.Event, every_s: float = 1.0) -> threading.Thread:
        """Go on taking up shards in the background until told to stop."""

        def run() -> None:
            while not stop.is_set():
                self.take_up(folder)
                time.sleep(every_s)

        thread = threading.Thread(target=run, daemon=True)
        thread.start()
        return thread

    def draw(self, n: int, hard: bool) -> Tensor:
        """Indices of ``n`` stills at random; ``hard`` prefers those on which the network errs."""
        if hard:
            return torch.multinomial(self.weight[: self.count], n, replacement=True)
        return torch.randint(self.count, (n,), device=self.images.device)


def encoded(images: Sequence[NDArray[np.uint8]] | NDArray[np.uint8]) -> dict[str, NDArray]:
    """RGB pictures as JPEG: ``jpeg``, all end to end, and ``ends``, where each ends."""
    setting = [cv2.IMWRITE_JPEG_QUALITY, 92]
    pieces = [cv2.imencode(".jpg", image[..., ::-1], setting)[1].ravel() for image in images]
    return {"jpeg": np.concatenate(pieces), "ends": np.cumsum([len(piece) for piece in pieces])}


def decoded(jpeg: NDArray[np.uint8], ends: NDArray[np.int64]) -> NDArray[np.uint8]:
    """What `encoded` was given, (n, h, w, 3)."""
    pieces = np.split(jpeg, ends[:-1])
    return np.stack([cv2.imdecode(piece, cv2.IMREAD_COLOR)[..., ::-1] for piece in pieces])


def people(path: Path, device: torch.device) -> Pool:
    """Upright people, labelled.

    Parameters
    ----------
    path
        Archive of ``jpeg`` (encoded pictures end to end), ``ends`` (where each ends), ``points``
        and ``weights`` (1 where a point is known), as `people.label` writes it.
    device
        Where to hold them.
    """
    with np.load(path) as archive:
        images = decoded(archive["jpeg"], archive["ends"])
        points, weights = archive["points"], archive["weights"]
    pool = Pool.empty(len(images), device)
    # Of what was not labelled nothing is known, not even that it is not there.
    states = np.where(weights > 0, SEEN, UNKNOWN)
    pool.add(
        {"image": images, "points": points, "states": states, "pressing": np.zeros(len(images))}
    )
    return pool
