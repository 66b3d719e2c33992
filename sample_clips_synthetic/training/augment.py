"""What a phone, a room and a codec do to a picture, for a whole batch at once on the GPU.

Every function takes pictures as float (n, 3, h, w) in 0..1 and returns the same; each picture draws
its own strength. Points move with the picture, and those that a patch covers become hidden.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional

from .points import HIDDEN, INPUT_PX, MIRROR, OUTSIDE, SEEN


@dataclass(frozen=True)
class AugmentConfig:
    """How strongly pictures are changed.

    Attributes
    ----------
    turn_sd_deg
        Turn of the picture, one standard deviation.
    scale_sd, shift
        Log scale, one standard deviation, and largest shift as a share of the side.
    light, blur, codec, patches
        Whether light and colour, blur and noise, low resolution and compression, and patches in the
        way are drawn at all.
    """

    turn_sd_deg: float = 8.0
    scale_sd: float = 0.10
    shift: float = 0.06
    light: bool = True
    blur: bool = True
    codec: bool = True
    patches: bool = True


def _uniform(n: int, low: float, high: float, device: torch.device) -> Tensor:
    return torch.rand(n, device=device) * (high - low) + low


def _some(n: int, share: float, device: torch.device) -> Tensor:
    return torch.rand(n, device=device) < share


def _chosen(n: int, share: float, device: torch.device) -> Tensor:
    """Indices of a share of the batch; always as many, so that nothing waits for a count."""
    return torch.randperm(n, device=device)[: max(1, round(share * n))]


def place(
    images: Tensor,
    points: Tensor,
    states: Tensor,
    config: AugmentConfig,
    quarter_turns: Tensor | None = None,
) -> tuple[Tensor, Tensor, Tensor]:
    """Turn, scale, shift and mirror pictures into the network's input.

    Parameters
    ----------
    images
        (n, 3, s, s) in 0..1.
    points, states
        (n, P, 2) pixels, and (n, P).
    quarter_turns
        (n,) numbers of quarter turns to add.

    Returns
    -------
    tuple
        Pictures (n, 3, 256, 256), points and states in them.
    """
    n, device, size = images.shape[0], images.device, images.shape[-1]
    angle = torch.randn(n, device=device) * math.radians(config.turn_sd_deg)
    wide = _some(n, 0.1, device)
    angle = torch.where(wide, angle * 3, angle)
    if quarter_turns is not None:
        angle = angle + quarter_turns * (math.pi / 2)
    scale = torch.exp(torch.randn(n, device=device) * config.scale_sd).clamp(0.72, 1.4)
    shift = (torch.rand(n, 2, device=device) * 2 - 1) * config.shift
    # Input pixel = matrix @ (picture pixel - middle) + middle + shift.
    zoom = scale * (INPUT_PX / size)
    cos, sin = torch.cos(angle) * zoom, torch.sin(angle) * zoom
    matrix = torch.stack([torch.stack([cos, -sin], 1), torch.stack([sin, cos], 1)], 1)
    middle_in, middle_out = (size - 1) / 2, (INPUT_PX - 1) / 2
    moved = (points - middle_in) @ matrix.transpose(1, 2) + middle_out
    moved = moved + (shift * INPUT_PX).unsqueeze(1)
    back = torch.linalg.inv(matrix)
    offset = (middle_out + shift * INPUT_PX).unsqueeze(2)
    # affine_grid works in coordinates of -1..1 over whole pixels (align_corners=False).
    source = torch.cat([back, middle_in - back @ offset], dim=2)
    half_out, half_in = INPUT_PX / 2, size / 2
    theta = torch.empty(n, 2, 3, device=device)
    theta[:, :, :2] = source[:, :, :2] * (half_out / half_in)
    shifted = (
        source[:, :, :2] @ torch.full((2, 1), half_out - 0.5, device=device) + source[:, :, 2:]
    )
    theta[:, :, 2:] = (shifted + 0.5) / half_in - 1
    grid = functional.affine_grid(theta, [n, 3, INPUT_PX, INPUT_PX], align_corners=False)
    out = functional.grid_sample(images, grid, padding_mode="border", align_corners=False)
    # Beyond the picture: black for some, its edge drawn out for the others.
    within = (grid.abs() <= 1).all(dim=3).unsqueeze(1)
    out = out * (within | _some(n, 0.6, device).view(-1, 1, 1, 1))
    mirror = _some(n, 0.5, device)
    out = torch.where(mirror.view(-1, 1, 1, 1), out.flip(3), out)
    order = torch.as_tensor(MIRROR, device=device)
    flipped = moved.clone()
    flipped[..., 0] = INPUT_PX - 1 - flipped[..., 0]
    moved = torch.where(mirror.view(-1, 1, 1), flipped[:, order], moved)
    states = torch.where(mirror.view(-1, 1), states[:, order], states)
    beyond = ((moved < -0.5) | (moved > INPUT_PX - 0.5)).any(dim=2)
    left_picture = beyond & (states <= HIDDEN)
    states = torch.where(left_picture, torch.full_like(states, OUTSIDE), states)
    return out, moved, states


def light(images: Tensor) -> Tensor:
    """Change exposure, contrast, colour and evenness of the light."""
    n, device = images.shape[0], images.device
    one = (n, 1, 1, 1)
    gamma = torch.exp(torch.randn(n, device=device) * 0.28).view(one)
    x = images.clamp(1e-4, 1) ** gamma
    gain = torch.exp(torch.randn(n, device=device) * 0.22).view(one)
    tint = torch.exp(torch.randn(n, 3, device=device) * 0.09).view(n, 3, 1, 1)
    x = x * gain * tint
    mean = x.mean(dim=(1, 2, 3), keepdim=True)
    x = (x - mean) * torch.exp(torch.randn(n, device=device) * 0.18).view(one) + mean
    grey = x.mean(dim=1, keepdim=True)
    colourful = torch.where(
        _some(n, 0.08, device), torch.zeros(n, device=device), _uniform(n, 0.5, 1.4, device)
    ).view(one)
    x = grey + (x - grey) * colourful
    # A gradient over the picture, and haze.
    axis = torch.linspace(-1, 1, x.shape[-1], device=device)
    slope = torch.randn(n, 2, device=device) * 0.22
    ramp = slope[:, :1, None] * axis.view(1, 1, -1) + slope[:, 1:, None] * axis.view(1, -1, 1)
    x = torch.where(_some(n, 0.4, device).view(one), x * torch.exp(ramp).unsqueeze(1), x)
    dim = _uniform(n, 0.15, 0.5, device).view(one)
    x = torch.where(_some(n, 0.10, device).view(one), x * dim, x)
    haze = _uniform(n, 0.0, 0.45, device).view(one)
    x = torch.where(_some(n, 0.10, device).view(one), x * (1 - haze) + haze * 0.8, x)
    return x.clamp(0, 1)


def patches(
    images: Tensor, points: Tensor, states: Tensor, most: int = 3
) -> tuple[Tensor, Tensor, Tensor]:
    """Put plain, noisy or borrowed patches in the way; the points that they cover become hidden."""
    size, device = images.shape[-1], images.device
    axis = torch.arange(size, device=device)
    images, states = images.clone(), states.clone()
    for _ in range(most):
        chosen = _chosen(len(images), 0.22, device)
        n = len(chosen)
        wide = torch.exp(_uniform(n, math.log(5.0), math.log(0.30 * size), device))
        high = torch.exp(_uniform(n, math.log(5.0), math.log(0.30 * size), device))
        tall = _some(n, 0.15, device)
        high = torch.where(tall, torch.full_like(high, 2.0 * size), high)
        wide = torch.where(tall, wide * 0.4, wide)
        cx, cy = _uniform(n, 0, size, device), _uniform(n, 0, size, device)
        slant = torch.where(
            tall, torch.randn(n, device=device) * 0.15, torch.zeros(n, device=device)
        )
        dx = axis.view(1, 1, -1) - cx.view(-1, 1, 1) - slant.view(-1, 1, 1) * axis.view(1, -1, 1)
        dy = axis.view(1, -1, 1) - cy.view(-1, 1, 1)
        inside = (dx.abs() < (wide / 2).view(-1, 1, 1)) & (dy.abs() < (high / 2).view(-1, 1, 1))
        colour = torch.rand(n, 3, 1, 1, device=device) * torch.rand(n, 1, 1, 1, device=device)
        fill = colour + 0.06 * torch.randn(
            n, 1, size // 4, size // 4, device=device
        ).repeat_interleave(4, 2).repeat_interleave(4, 3)
        before = images[chosen]
        other = before.roll(1, 0).flip(2)
        fill = torch.where(_some(n, 0.4, device).view(-1, 1, 1, 1), other, fill)
        images[chosen] = torch.where(inside.unsqueeze(1), fill, before)
        at = points[chosen]
        px = (at[..., 0] - cx[:, None] - slant[:, None] * at[..., 1]).abs()
        py = (at[..., 1] - cy[:, None]).abs()
        covered = (px < wide[:, None] / 2) & (py < high[:, None] / 2)
        told = states[chosen]
        states[chosen] = torch.where(covered & (told == SEEN), torch.full_like(told, HIDDEN), told)
    return images.clamp(0, 1), points, states


def _kernels(n: int, device: torch.device, size: int = 9) -> Tensor:
    """Blur kernels (n, size, size): round, or a streak of motion."""
    axis = torch.arange(size, device=device) - size // 2
    yy, xx = torch.meshgrid(axis, axis, indexing="ij")
    sigma = _uniform(n, 0.3, 1.8, device).view(-1, 1, 1)
    ball = torch.exp(-(xx**2 + yy**2) / (2 * sigma**2))
    angle = _uniform(n, 0, math.pi, device).view(-1, 1, 1)
    along = xx * torch.cos(angle) + yy * torch.sin(angle)
    across = -xx * torch.sin(angle) + yy * torch.cos(angle)
    length = _uniform(n, 1.0, size / 2, device).view(-1, 1, 1)
    streak = torch.exp(-(across**2)) * (along.abs() <= length)
    kernel = torch.where(_some(n, 0.35, device).view(-1, 1, 1), streak, ball)
    return kernel / kernel.sum(dim=(1, 2), keepdim=True)


def blur(images: Tensor) -> Tensor:
    """Smear two fifths of the pictures, and add noise to three fifths."""
    device = images.device
    images = images.clone()
    chosen = _chosen(len(images), 0.4, device)
    kernels = _kernels(len(chosen), device)
    side = kernels.shape[-1]
    some = images[chosen]
    smeared = functional.conv2d(
        functional.pad(some.reshape(1, -1, *some.shape[2:]), [side // 2] * 4, mode="reflect"),
        kernels.repeat_interleave(3, 0).unsqueeze(1).to(images.dtype),
        groups=3 * len(chosen),
    )
    images[chosen] = smeared.view_as(some)
    level = _uniform(len(images), 0.0, 0.05, device) * _some(len(images), 0.6, device)
    return (images + level.view(-1, 1, 1, 1) * torch.randn_like(images)).clamp(0, 1)


def _cosines(device: torch.device) -> Tensor:
    k = torch.arange(8, device=device, dtype=torch.float32)
    basis = torch.cos((2 * k.view(1, -1) + 1) * k.view(-1, 1) * math.pi / 16) / 2
    basis[0] /= math.sqrt(2)
    return basis


def compress(images: Tensor, strength: Tensor) -> Tensor:
    """Quantise 8 x 8 blocks of luma and colour as a codec does (ISO/IEC 10918-1, in outline).

    Parameters
    ----------
    strength
        (n,) quantiser step of the lowest frequencies in grey levels.
    """
    n, _, h, w = images.shape
    device = images.device
    r, g, b = images.unbind(1)
    luma = 0.299 * r + 0.587 * g + 0.114 * b
    planes = torch.stack([luma, (b - luma) * 0.564, (r - luma) * 0.713], 1) * 255
    # Both cosine transforms of a block at once: 64 pixels to 64 waves.
    waves_of = torch.kron(_cosines(device), _cosines(device))
    frequency = torch.arange(8, device=device, dtype=torch.float32)
    table = 1 + 0.55 * (frequency.view(-1, 1) + frequency.view(1, -1))
    step = strength.view(-1, 1, 1, 1) * table.view(1, 1, 1, 64)
    step = step * torch.tensor([1.0, 1.6, 1.6], device=device).view(1, 3, 1, 1)
    blocks = planes.view(n, 3, h // 8, 8, w // 8, 8).permute(0, 1, 2, 4, 3, 5)
    waves = blocks.reshape(n, 3, -1, 64) @ waves_of.T
    blocks = (torch.round(waves / step) * step) @ waves_of
    blocks = blocks.view(n, 3, h // 8, w // 8, 8, 8)
    planes = blocks.permute(0, 1, 2, 4, 3, 5).reshape(n, 3, h, w) / 255
    luma, cb, cr = planes.unbind(1)
    r = luma + cr / 0.713
    b = luma + cb / 0.564
    g = (luma - 0.299 * r - 0.114 * b) / 0.587
    return torch.stack([r, g, b], 1).clamp(0, 1)


def codec(images: Tensor) -> Tensor:
    """Lower the resolution of some of the pictures, and compress some."""
    n, device, size = images.shape[0], images.device, images.shape[-1]
    images = images.clone()
    order = torch.randperm(n, device=device)
    count = max(1, round(0.09 * n))
    for i, low in enumerate((40, 64, 96, 144)):
        chosen = order[i * count : (i + 1) * count]
        small = functional.interpolate(images[chosen], size=low, mode="area")
        if low < 144:
            small = compress(
                functional.pad(small, [0, (-low) % 8, 0, (-low) % 8], mode="replicate"),
                _uniform(len(chosen), 1.0, 14.0, device),
            )[..., :low, :low]
        images[chosen] = functional.interpolate(
            small, size=size, mode="bilinear", align_corners=False
        )
    chosen = _chosen(n, 0.6, device)
    strength = torch.exp(_uniform(len(chosen), math.log(2.0), math.log(45.0), device))
    images[chosen] = compress(images[chosen], strength)
    return images


def augment(
    images: Tensor,
    points: Tensor,
    states: Tensor,
    config: AugmentConfig,
    quarter_turns: Tensor | None = None,
) -> tuple[Tensor, Tensor, Tensor]:
    """All of it, in the order in which it happens: scene, light, lens, sensor, codec.

    Parameters
    ----------
    images
        (n, 3, s, s), float in 0..1.
    points, states
        (n, P, 2) in pixels of ``images``; (n, P) codes of `points`.

    Returns
    -------
    tuple
        Pictures (n, 3, 256, 256), points and states.
    """
    images, points, states = place(images, points, states, config, quarter_turns)
    if config.patches:
        images, points, states = patches(images, points, states)
    if config.light:
        images = light(images)
    if config.blur:
        images = blur(images)
    if config.codec:
        images = codec(images)
    return images, points, states
