"""Training of the joint network: changes to pictures, and calibration; skips without torch."""

import numpy as np
import pytest

torch = pytest.importorskip("torch")

from sample_clips_synthetic.training import augment, check, photos, shipped  # noqa: E402
from sample_clips_synthetic.training.fit import FitConfig, loss_of, mahalanobis  # noqa: E402
from sample_clips_synthetic.training.network import JointNetwork  # noqa: E402
from sample_clips_synthetic.training.points import (  # noqa: E402
    HIDDEN,
    INPUT_PX,
    MIRROR,
    OUTSIDE,
    POINTS,
    SEEN,
    STILL_PX,
)

N_POINTS = len(POINTS)


def spots(n):
    """Dark pictures with one bright spot each, and every point on it."""
    generator = torch.Generator().manual_seed(4)
    images = torch.zeros(n, 3, STILL_PX, STILL_PX)
    places = torch.randint(90, STILL_PX - 90, (n, 2), generator=generator)
    for k, (x, y) in enumerate(places.tolist()):
        images[k, :, y - 2 : y + 3, x - 2 : x + 3] = 1.0
    points = places.float()[:, None].repeat(1, N_POINTS, 1)
    return images, points, torch.zeros(n, N_POINTS, dtype=torch.int64)


def test_points_move_with_the_picture():
    torch.manual_seed(2)
    images, points, states = spots(24)
    turns = torch.randint(0, 4, (24,))
    moved, at, now = augment.place(images, points, states, augment.AugmentConfig(), turns)
    axis = torch.arange(INPUT_PX, dtype=torch.float32)
    for k in range(24):
        if now[k, 0] == OUTSIDE:
            continue
        light = moved[k, 0]
        x = (light.sum(0) * axis).sum() / light.sum()
        y = (light.sum(1) * axis).sum() / light.sum()
        assert float(torch.hypot(x - at[k, 0, 0], y - at[k, 0, 1])) < 0.3


def test_sides_are_swapped_in_a_mirror():
    assert np.array_equal(MIRROR[MIRROR], np.arange(N_POINTS))
    assert POINTS[MIRROR[POINTS.index("left_wrist")]] == "right_wrist"
    assert POINTS[MIRROR[POINTS.index("head")]] == "head"


def test_patches_hide_what_they_cover():
    torch.manual_seed(3)
    images, points, states = spots(512)
    before = images.clone()
    after, _, now = augment.patches(images, points, states)
    x, y = points[:, 0, 0].long(), points[:, 0, 1].long()
    changed = (after[torch.arange(512), 0, y, x] - before[torch.arange(512), 0, y, x]).abs() > 0.02
    assert changed.any()
    assert (now[:, 0][changed] == HIDDEN).all()
    assert (now[:, 0][~changed] == SEEN).float().mean() > 0.9


def test_fine_quantisation_changes_little_and_coarse_much():
    torch.manual_seed(5)
    image = torch.rand(2, 3, 64, 64)
    fine = augment.compress(image, torch.tensor([0.01, 0.01]))
    coarse = augment.compress(image, torch.tensor([60.0, 60.0]))
    assert float((fine - image).abs().max()) < 0.01
    assert float((coarse - image).abs().mean()) > 0.05


def test_spread_is_measured_along_its_own_axes():
    scale = torch.tensor([[2.0, 1.5, 0.7]])
    error = torch.tensor([[1.0, -2.0]])
    lower = np.array([[2.0, 0.0], [1.5, 0.7]])
    exact = np.sqrt(error[0].numpy() @ np.linalg.solve(lower @ lower.T, error[0].numpy()))
    assert float(mahalanobis(error, scale)[0]) == pytest.approx(exact, rel=1e-3)


def test_calibration_holds_what_it_is_asked_to():
    rng = np.random.default_rng(6)
    n = 4000
    told = rng.integers(0, 2, (n, N_POINTS))
    distance = rng.gamma(2.0, np.where(told == SEEN, 1.0, 2.5))
    state = np.zeros((n, N_POINTS, 3))
    np.put_along_axis(state, told[..., None], 1.0, axis=2)
    nothing = np.zeros(n)
    readings = check.Readings(
        distance, distance, state, told, nothing, nothing, nothing + 100, nothing
    )
    held = check.coverage(readings, check.calibrate(readings, 0.95))
    assert held["front, seen"] == pytest.approx(0.95, abs=0.01)
    assert held["front, hidden"] == pytest.approx(0.95, abs=0.01)


def test_what_is_not_there_teaches_no_place():
    torch.manual_seed(7)
    network = JointNetwork().eval()
    with torch.no_grad():
        out = network(torch.rand(2, 3, INPUT_PX, INPUT_PX))
    points = torch.full((2, N_POINTS, 2), 100.0)
    states = torch.full((2, N_POINTS), OUTSIDE)
    pressing = torch.tensor([-1.0, 1.0])
    first, _ = loss_of(out, points, states, pressing, FitConfig())
    second, _ = loss_of(out, points - 50, states, pressing, FitConfig())
    assert torch.isfinite(first)
    assert float(first) == float(second)


def test_photos_are_cut_round_their_marks():
    image = np.zeros((300, 500, 3), np.uint8)
    image[118:123, 198:203] = 255
    marks = {
        "left_wrist": (200, 120, "seen"),
        "right_wrist": (300, 120, "guess"),
        "left_hip": (250, 220, "seen"),
    }
    square, points, states = photos.crop(image, marks, 0.5)
    x, y = points[POINTS.index("left_wrist")]
    rows, columns = np.nonzero(square[..., 0] > 200)
    assert np.hypot(columns.mean() - x, rows.mean() - y) < 0.3
    assert states[POINTS.index("left_wrist")] == SEEN
    assert states[POINTS.index("right_wrist")] == photos.UNKNOWN


def test_both_pictures_of_an_exercise_lie_in_one_fold():
    names = [f"Press_{kind}_{k}.jpg" for kind in "ABCDEFGH" for k in (0, 1)]
    folds = photos.folds(names).reshape(-1, 2)
    assert (folds[:, 0] == folds[:, 1]).all()
    assert sorted(set(folds[:, 0])) == list(range(photos.FOLDS))


def test_training_can_go_on_from_a_file(tmp_path):
    pytest.importorskip("onnx")
    from sample_clips_synthetic.training.export import export

    torch.manual_seed(8)
    network = JointNetwork().eval()
    for module in network.modules():
        if isinstance(module, torch.nn.BatchNorm2d):
            module.running_mean.normal_(0, 0.1)
            module.running_var.uniform_(0.5, 2.0)
    export(network, np.ones((N_POINTS, 2)), tmp_path / "joints.onnx", "0")
    again = JointNetwork().eval()
    shipped.load(again, tmp_path / "joints.onnx")
    image = torch.rand(1, 3, INPUT_PX, INPUT_PX)
    with torch.no_grad():
        before, after = network(image), again(image)
    assert float((before["place_px"] - after["place_px"]).abs().max()) < 0.05
    shipped.blend(again, network)
    own = dict(again.named_parameters())["read.weight"]
    assert torch.equal(own, network.read.weight)
