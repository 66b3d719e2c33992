"""The file that the package ships: the network with its calibration inside, as ONNX."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import torch
from torch import Tensor, nn

from .network import GREY_MEAN, GREY_SCALE, JointNetwork
from .points import INPUT_PX, POINTS, RADIUS_95


class Shipped(nn.Module):
    """From bytes of a picture to places, covariances and states.

    Parameters
    ----------
    network
        The trained network.
    factors
        (P, 2) growth of stated spreads, seen and hidden, from `check.calibrate`.
    """

    def __init__(self, network: JointNetwork, factors: np.ndarray) -> None:
        super().__init__()
        self.network = network.eval()
        self.register_buffer("factors", torch.as_tensor(factors, dtype=torch.float32))

    def forward(self, image: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Read (n, 256, 256, 3) bytes."""
        scaled = (
            image.permute(0, 3, 1, 2).float() * (1 / (255 * GREY_SCALE)) - GREY_MEAN / GREY_SCALE
        )
        out = self.network.read_scaled(scaled)
        state = out["state"].softmax(2)
        share = state[..., :1] / (state[..., 0:1] + state[..., 1:2]).clamp(min=1e-6)
        grow = share[..., 0] * self.factors[:, 0] + (1 - share[..., 0]) * self.factors[:, 1]
        a, b, c = out["scale_px"].unbind(2)
        covariance = torch.stack([a * a, a * b, b * b + c * c], 2) * (grow**2).unsqueeze(2)
        return out["place_px"], covariance, state, out["pressing"].sigmoid()


def fold_padding(model: onnx.ModelProto) -> None:
    """Give the padding before a convolution to the convolution, which runtimes do faster."""
    graph = model.graph
    pads = {node.output[0]: node for node in graph.node if node.op_type == "Pad"}
    for node in graph.node:
        pad = pads.get(node.input[0]) if node.op_type == "Conv" else None
        if pad is None:
            continue
        given = {a.name: a for a in node.attribute}
        # As `network._Conv` pads: the odd pixel comes after.
        extra = given["kernel_shape"].ints[0] - given["strides"].ints[0]
        sides = 2 * [extra // 2] + 2 * [extra - extra // 2]
        kept = [a for a in node.attribute if a.name != "pads"]
        del node.attribute[:]
        node.attribute.extend(kept)
        node.attribute.append(onnx.helper.make_attribute("pads", sides))
        node.input[0] = pad.input[0]
        graph.node.remove(pad)


def export(network: JointNetwork, factors: np.ndarray, target: Path, version: str) -> None:
    """Write the file, whole or not at all.

    Parameters
    ----------
    network, factors
        As for `Shipped`.
    target
        File to write.
    version
        Kept in the file's metadata with the names of the points.
    """
    torch.backends.mha.set_fastpath_enabled(False)
    module = Shipped(
        network.cpu().float().to(memory_format=torch.contiguous_format), factors
    ).eval()
    names = ["place", "covariance", "state", "pressing"]
    partial = target.with_suffix(".partial.onnx")
    torch.onnx.export(
        module,
        (torch.zeros(2, INPUT_PX, INPUT_PX, 3, dtype=torch.uint8),),
        str(partial),
        input_names=["image"],
        output_names=names,
        dynamic_axes={name: {0: "n"} for name in ("image", *names)},
        opset_version=17,
        dynamo=False,
    )
    model = onnx.load(str(partial))
    fold_padding(model)
    onnx.checker.check_model(model)
    for key, value in (
        ("points", ",".join(POINTS)),
        ("input_px", str(INPUT_PX)),
        ("version", version),
        ("radius_95", f"{RADIUS_95}"),
    ):
        entry = model.metadata_props.add()
        entry.key, entry.value = key, value
    onnx.save(model, str(partial))
    partial.replace(target)
