"""The steps of training: draw, change, read, weigh, step; resumable at any checkpoint."""

from __future__ import annotations

import copy
import json
import math
import threading
import time
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional

from .augment import AugmentConfig, augment
from .network import JointNetwork
from .points import HEAT_PX, HIDDEN, INPUT_PX, OUTSIDE, STRIDE_PX, WEIGHT
from .pool import Pool


@dataclass(frozen=True)
class FitConfig:
    """Settings of a training.

    Attributes
    ----------
    minutes
        How long to train; the learning rate follows the share of it that is spent.
    batch, people, photos
        Pictures in a step, how many of them show real people, and how many are photos of presses
        marked by eye.
    rate, decay, warm_steps
        Learning rate of AdamW, its weight decay, steps until the full rate.
    average
        Decay of the running average of the weights, which is what is kept.
    least_stills
        Stills that must be there before the first step.
    hard
        Whether stills on which the network errs are drawn more often.
    relations
        Whether points are put in relation to one another.
    covariance
        Whether the spread may be slanted and unequal; otherwise it is a circle.
    frozen_norms
        Whether batch normalisation stays as it is.
    compiled
        Whether the network's arithmetic is fused by torch's compiler.
    augment
        What is done to pictures.
    seed
        Seed of everything drawn.
    """

    minutes: float = 20.0
    batch: int = 256
    people: int = 32
    photos: int = 0
    rate: float = 1.5e-3
    decay: float = 0.02
    warm_steps: int = 300
    average: float = 0.9995
    least_stills: int = 3000
    hard: bool = True
    relations: bool = True
    covariance: bool = True
    frozen_norms: bool = False
    compiled: bool = False
    augment: AugmentConfig = field(default_factory=AugmentConfig)
    seed: int = 1


def mahalanobis(error_px: Tensor, scale_px: Tensor) -> Tensor:
    """Distance of an error in units of its stated spread.

    Parameters
    ----------
    error_px
        (..., 2).
    scale_px
        (..., 3): lower triangle l11, l21, l22 of the spread.
    """
    a = error_px[..., 0] / scale_px[..., 0]
    b = (error_px[..., 1] - scale_px[..., 1] * a) / scale_px[..., 2]
    return torch.sqrt(a * a + b * b + 1e-3)


def loss_of(
    out: dict[str, Tensor], points: Tensor, states: Tensor, pressing: Tensor, config: FitConfig
) -> tuple[Tensor, Tensor]:
    """Loss of a batch, and that of each picture's places.

    Places count by the density of a bivariate Laplace-like law, exp(-d) / (2 pi |L|) with d the
    distance in units of the stated spread L: it forgives a few large errors, and states them.
    """
    inside = ((points > -0.5) & (points < INPUT_PX - 0.5)).all(dim=2)
    placed = inside & (states <= HIDDEN)
    weight = placed * torch.as_tensor(WEIGHT, device=points.device)
    target = torch.where(placed.unsqueeze(2), points, torch.zeros_like(points))
    scale = out["scale_px"]
    if not config.covariance:
        middle = (scale[..., 0] * scale[..., 2]).sqrt()
        scale = torch.stack([middle, torch.zeros_like(middle), middle], 2)
    distance = mahalanobis(out["place_px"] - target, scale)
    place = distance + torch.log(scale[..., 0]) + torch.log(scale[..., 2])
    rough = functional.smooth_l1_loss(
        out["rough_px"] / STRIDE_PX, target / STRIDE_PX, reduction="none", beta=0.5
    ).sum(2)
    axis = torch.arange(HEAT_PX, device=points.device)
    cell = (target - (STRIDE_PX - 1) / 2) / STRIDE_PX
    gx = torch.exp(-((axis - cell[..., :1]) ** 2) / (2 * 1.3**2))
    gy = torch.exp(-((axis - cell[..., 1:]) ** 2) / (2 * 1.3**2))
    hill = (gy.unsqueeze(3) * gx.unsqueeze(2)).flatten(2)
    hill = hill / hill.sum(2, keepdim=True).clamp(min=1e-6)
    entropy = -(hill * out["heat"].log_softmax(2)).sum(2)
    each = weight * (place + 0.3 * rough + 0.5 * entropy)
    total = each.sum() / weight.sum().clamp(min=1)
    told = states <= OUTSIDE
    chosen = torch.where(told, states, torch.zeros_like(states))
    state = functional.cross_entropy(out["state"].flatten(0, 1), chosen.flatten(), reduction="none")
    total = total + 0.3 * (state.view_as(told) * told).sum() / told.sum().clamp(min=1)
    known = pressing >= 0
    press = functional.binary_cross_entropy_with_logits(
        out["pressing"], pressing.clamp(min=0), reduction="none"
    )
    total = total + 0.3 * (press * known).sum() / known.sum().clamp(min=1)
    hardness = (weight * rough).sum(1) / weight.sum(1).clamp(min=1)
    return total, hardness.detach()


class Trainer:
    """Trains a network on a growing pool.

    Parameters
    ----------
    stills, real, photos
        Made stills, real people, and photos of presses (either may be None).
    config
        Settings.
    backbone
        ImageNet weights to start from.
    folder
        Where checkpoints and the log go.
    """

    def __init__(
        self,
        stills: Pool,
        real: Pool | None,
        config: FitConfig,
        backbone: Path | None,
        folder: Path,
        photos: Pool | None = None,
    ) -> None:
        torch.manual_seed(config.seed)
        self.config, self.stills, self.real, self.photos = config, stills, real, photos
        self.folder = folder
        self.device = stills.images.device
        self.network = JointNetwork(config.relations)
        if backbone is not None:
            self.network.backbone.load(backbone)
        self.network.to(self.device, memory_format=torch.channels_last)
        self.kept = copy.deepcopy(self.network).eval()
        decayed = [p for p in self.network.parameters() if p.ndim > 1]
        others = [p for p in self.network.parameters() if p.ndim <= 1]
        self.optimiser = torch.optim.AdamW(
            [
                {"params": decayed, "weight_decay": config.decay},
                {"params": others, "weight_decay": 0.0},
            ],
            lr=config.rate,
            betas=(0.9, 0.99),
            fused=self.device.type == "cuda",
        )
        self.forward = torch.compile(self.network) if config.compiled else self.network
        self.step, self.spent_s = 0, 0.0

    def save(self) -> None:
        """Write a checkpoint, whole or not at all."""
        partial = self.folder / "checkpoint.partial"
        torch.save(
            {
                "network": self.network.state_dict(),
                "kept": self.kept.state_dict(),
                "optimiser": self.optimiser.state_dict(),
                "step": self.step,
                "spent_s": self.spent_s,
                "config": asdict(self.config),
            },
            partial,
        )
        partial.replace(self.folder / "checkpoint.pt")

    def resume(self) -> bool:
        """Go on from the folder's checkpoint, if there is one."""
        path = self.folder / "checkpoint.pt"
        if not path.exists():
            return False
        state = torch.load(path, map_location=self.device, weights_only=True)
        self.network.load_state_dict(state["network"])
        self.kept.load_state_dict(state["kept"])
        self.optimiser.load_state_dict(state["optimiser"])
        self.step, self.spent_s = state["step"], state["spent_s"]
        return True

    def start_from(self, network: JointNetwork) -> None:
        """Take the weights of another network."""
        self.network.load_state_dict(network.state_dict())
        self.kept.load_state_dict(network.state_dict())

    def _batch(self) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        config, stills = self.config, self.stills
        n_real = config.people if self.real is not None else 0
        n_photos = config.photos if self.photos is not None else 0
        chosen = stills.draw(config.batch - n_real - n_photos, config.hard)
        parts = [self._changed(stills, chosen, None)]
        if self.real is not None:
            some = self.real.draw(n_real, False)
            turns = torch.randint(0, 4, (n_real,), device=self.device)
            images, points, states, pressing = self._changed(self.real, some, turns)
            # Upright they press nothing; turned on their side they might as well lie.
            pressing = torch.where(turns == 0, pressing, torch.full_like(pressing, -1))
            parts.append((images, points, states, pressing))
        if self.photos is not None:
            some = self.photos.draw(n_photos, False)
            parts.append(self._changed(self.photos, some, torch.zeros_like(some)))
        return *(torch.cat(column) for column in zip(*parts, strict=True)), chosen

    def _changed(
        self, pool: Pool, index: Tensor, turns: Tensor | None
    ) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        images = pool.images[index].permute(0, 3, 1, 2).float() / 255
        setting = self.config.augment
        if turns is not None:
            setting = replace(setting, scale_sd=1.8 * setting.scale_sd)
        images, points, states = augment(
            images, pool.points[index], pool.states[index], setting, turns
        )
        return images, points, states, pool.pressing[index]

    def _one(self) -> Tensor:
        config = self.config
        share = min(self.spent_s / (60 * config.minutes), 1.0)
        rate = config.rate * min(1.0, (self.step + 1) / config.warm_steps)
        rate *= 0.5 * (1 + math.cos(math.pi * share)) * 0.99 + 0.01
        for group in self.optimiser.param_groups:
            group["lr"] = rate
        with torch.no_grad():
            images, points, states, pressing, chosen = self._batch()
        images = images.contiguous(memory_format=torch.channels_last)
        with torch.autocast(self.device.type, torch.bfloat16, enabled=self.device.type == "cuda"):
            out = self.forward(images)
        out = {name: value.float() for name, value in out.items()}
        total, hardness = loss_of(out, points, states, pressing, config)
        self.optimiser.zero_grad(set_to_none=True)
        total.backward()
        torch.nn.utils.clip_grad_norm_(self.network.parameters(), 5.0)
        self.optimiser.step()
        with torch.no_grad():
            decay = min(config.average, (1 + self.step) / (20 + self.step))
            mine, theirs = list(self.kept.parameters()), list(self.network.parameters())
            torch._foreach_lerp_(mine, theirs, 1 - decay)
            for kept, now in zip(self.kept.buffers(), self.network.buffers(), strict=True):
                if kept.is_floating_point():
                    kept.lerp_(now, 1 - decay)
            if config.hard:
                old = self.stills.weight[chosen]
                new = (hardness[: len(chosen)] / hardness[: len(chosen)].mean()).clamp(0.4, 4.0)
                self.stills.weight[chosen] = 0.5 * old + 0.5 * new
        self.step += 1
        return total.detach()

    def run(self, shards: Path | None = None, log_every_s: float = 15.0) -> None:
        """Train until the minutes are spent.

        Parameters
        ----------
        shards
            Folder whose new shards are taken up meanwhile.
        """
        stop = threading.Event()
        if shards is not None:
            self.stills.follow(shards, stop)
        while self.stills.count < self.config.least_stills:
            time.sleep(0.5)
        begin = time.monotonic() - self.spent_s
        logged = saved = time.monotonic()
        losses: list[Tensor] = []
        self.network.train()
        if self.config.frozen_norms:
            for module in self.network.modules():
                if isinstance(module, nn.BatchNorm2d):
                    module.eval()
        with (self.folder / "log.jsonl").open("a") as log:
            while self.spent_s < 60 * self.config.minutes:
                losses.append(self._one())
                self.spent_s = time.monotonic() - begin
                now = time.monotonic()
                if now - logged > log_every_s:
                    mean = float(torch.stack(losses).mean())
                    row = {
                        "step": self.step,
                        "spent_s": round(self.spent_s, 1),
                        "loss": round(mean, 4),
                        "steps_per_s": round(len(losses) / (now - logged), 2),
                        "stills": self.stills.count,
                    }
                    print(json.dumps(row), flush=True)
                    print(json.dumps(row), file=log, flush=True)
                    losses, logged = [], now
                if now - saved > 60:
                    self.save()
                    saved = now
        stop.set()
        self.save()


__all__ = ["FitConfig", "Trainer", "loss_of", "mahalanobis"]
