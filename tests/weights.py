"""Tests that look at pictures need the joint network's weights, which a bare checkout may lack."""

import pytest

from barpath.sight.jointnet import weights_path

needs_weights = pytest.mark.skipif(
    not weights_path().is_file(), reason="the joint network's weights are not in the package"
)
