"""Go on with the training of a network's file, as the package ships it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import nn

from .network import JointNetwork


def load(network: JointNetwork, path: Path) -> None:
    """Give a network the weights of a file written by `export.export`.

    The file's convolutions hold their normalisation. Here it becomes one that changes nothing, so
    it must stay as it is when training goes on (`FitConfig.frozen_norms`).

    Parameters
    ----------
    network
        Takes the weights.
    path
        ONNX file.
    """
    graph = onnx.load(str(path)).graph
    held = {i.name: torch.from_numpy(np.array(numpy_helper.to_array(i))) for i in graph.initializer}
    state = network.state_dict()
    for name, value in held.items():
        if name.startswith("network."):
            state[name.removeprefix("network.")] = value
    for node in graph.node:
        place = node.name.strip("/").split("/")
        module = ".".join(place[:-1])
        given = [held[name] for name in node.input if name in held]
        if place[-1] == "Conv" and place[-2] == "conv":
            state[f"{module}.weight"], bias = given
            norm = module.removesuffix("conv") + "norm"
            eps = network.get_submodule(norm).eps
            state[f"{norm}.weight"] = torch.ones_like(bias)
            state[f"{norm}.bias"] = bias
            state[f"{norm}.running_mean"] = torch.zeros_like(bias)
            state[f"{norm}.running_var"] = torch.full_like(bias, 1 - eps)
        elif place[-1] == "MatMul" and given:
            attends = isinstance(network.get_submodule(module), nn.MultiheadAttention)
            state[f"{module}.{'in_proj_weight' if attends else 'weight'}"] = given[0].T.contiguous()
    network.load_state_dict(state)


@torch.no_grad()
def blend(network: JointNetwork, start: JointNetwork) -> None:
    """Put the mean of its weights and those that its training started from in a network's place.

    Of two networks that one training leads to, the mean often errs less than either: Wortsman et
    al., Model soups (ICML 2022).
    """
    for own, other in zip(network.parameters(), start.parameters(), strict=True):
        own.lerp_(other, 0.5)
