"""The synthetic clips' generator: anatomy, geometry, motion and truth, none of it drawn."""

from __future__ import annotations

import csv
import io
import itertools
import json
import subprocess
import sys
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import av
import cv2
import numpy as np
import pytest

from sample_clips_synthetic.generator import truth
from sample_clips_synthetic.generator.arrivals import ARRIVALS, REGULARS
from sample_clips_synthetic.generator.body import (
    OUTWARD,
    SIDES,
    ArmStyle,
    Lifter,
    Stance,
    baked_mesh,
    load_mesh,
    two_bone,
)
from sample_clips_synthetic.generator.callers import CALLERS
from sample_clips_synthetic.generator.camera import Camera, CameraSpec
from sample_clips_synthetic.generator.clip import ClipSpec, World
from sample_clips_synthetic.generator.guests import COMPARISONS, PLACES, VISITORS
from sample_clips_synthetic.generator.joiners import (
    BOARDERS,
    DWELLERS,
    ENTRANTS,
    FELLOWS,
    HOSTS,
    INCOMERS,
    JOINERS,
    KEEPERS,
    MEMBERS,
)
from sample_clips_synthetic.generator.motion import BarMotion, Levels, RepSpec, SetSpec
from sample_clips_synthetic.generator.packing import STEPS, pack, unpack
from sample_clips_synthetic.generator.scenery import BAR_LENGTH_M, INNER_FACES_M, Load, Plate
from sample_clips_synthetic.generator.specs import (
    CLIPS,
    LATECOMERS,
    NEWCOMERS,
    REPORTING,
    STRANGERS,
    TUNING,
)

TWO_WAYS = {
    "joiners": JOINERS,
    "members": MEMBERS,
    "entrants": ENTRANTS,
    "fellows": FELLOWS,
    "hosts": HOSTS,
    "boarders": BOARDERS,
    "dwellers": DWELLERS,
    "incomers": INCOMERS,
    "keepers": KEEPERS,
}
FOLDER = Path(__file__).parents[1] / "sample_clips_synthetic"
BUILDS = ("tall_man", "broad_man", "woman")
NAMES = {clip.name: clip for clip in CLIPS}
SHORTEST = min(REPORTING, key=lambda clip: clip.duration_s * clip.fps)


@cache
def lifter(build: str) -> Lifter:
    return Lifter(build, Stance(), ArmStyle(), 0.43)


def hold(build: str, x: float, y: float, raised: float) -> tuple[Lifter, dict[str, np.ndarray]]:
    body = lifter(build)
    grips = {side: np.array([x, y, OUTWARD[side] * 0.36]) for side in SIDES}
    return body, body.joints(body.hold(grips, np.array([0.0, 0.0, 1.0]), raised))


def test_truth_is_rebuilt_byte_for_byte() -> None:
    document, table = truth.make(SHORTEST)
    assert (FOLDER / f"{SHORTEST.name}.truth.json").read_text(encoding="utf-8") == document
    assert (FOLDER / f"{SHORTEST.name}.truth.csv").read_text(encoding="utf-8") == table


@pytest.mark.slow
@pytest.mark.parametrize("clip", REPORTING, ids=lambda clip: clip.name)
def test_every_truth_is_rebuilt_byte_for_byte(clip: ClipSpec) -> None:
    document, table = truth.make(clip)
    assert (FOLDER / f"{clip.name}.truth.json").read_text(encoding="utf-8") == document
    assert (FOLDER / f"{clip.name}.truth.csv").read_text(encoding="utf-8") == table


def test_clips_are_made_by_workers(tmp_path: Path) -> None:
    shortest = sorted(CLIPS, key=lambda clip: clip.duration_s * clip.fps)[:2]
    names = [clip.name for clip in shortest]
    program = [sys.executable, "-m", "sample_clips_synthetic.generator"]
    flags = ["--truth-only", "--workers", "2", "--folder", tmp_path]
    subprocess.run([*program, *names, *flags], cwd=FOLDER.parent, check=True, timeout=600)
    made = {path.name: path.read_text(encoding="utf-8") for path in tmp_path.iterdir()}
    assert set(made) == {f"{name}.truth.{kind}" for name in names for kind in ("csv", "json")}
    document, table = truth.make(shortest[0])
    assert made[f"{names[0]}.truth.json"] == document
    assert made[f"{names[0]}.truth.csv"] == table


@pytest.mark.parametrize("build", BUILDS)
def test_segment_lengths_stay_constant(build: str) -> None:
    body = lifter(build)
    mesh = body.mesh
    rest = [mesh.heads[mesh.bone(f"{name}.L")] for name in ("upperarm01", "lowerarm01", "wrist")]
    upper, fore = (np.linalg.norm(b - a) for a, b in pairwise(rest))
    top = body.lockout_height(0.0, 0.72)
    for x, y, raised in ((0.0, top, 1.0), (-0.1, top - 0.2, 0.5), (-0.15, 0.72, 0.0)):
        _, joints = hold(build, x, y, raised)
        for side in SIDES:
            elbow = joints[f"{side}_elbow"]
            length = np.linalg.norm(elbow - joints[f"{side}_shoulder"])
            assert length == pytest.approx(upper, abs=1e-9)
            assert np.linalg.norm(joints[f"{side}_wrist"] - elbow) == pytest.approx(fore, abs=1e-9)


@pytest.mark.parametrize("build", BUILDS)
def test_segments_have_human_proportions(build: str) -> None:
    """Drillis & Contini (1966), as in Winter, Biomechanics and Motor Control (from memory).

    Shares of stature: upper arm 0.186, forearm 0.146, thigh 0.245, shank 0.246; between shoulder
    joints less than the biacromial breadth, 0.259.
    """
    mesh = load_mesh(build)
    stature = np.ptp(mesh.vertices[:, 0])

    def share(first: str, last: str) -> float:
        return float(
            np.linalg.norm(mesh.heads[mesh.bone(first)] - mesh.heads[mesh.bone(last)]) / stature
        )

    assert share("upperarm01.L", "lowerarm01.L") == pytest.approx(0.186, rel=0.15)
    assert share("lowerarm01.L", "wrist.L") == pytest.approx(0.146, rel=0.15)
    assert share("upperleg01.L", "lowerleg01.L") == pytest.approx(0.245, rel=0.15)
    assert share("lowerleg01.L", "foot.L") == pytest.approx(0.246, rel=0.15)
    assert 0.17 < share("upperarm01.L", "upperarm01.R") < 0.259


@pytest.mark.parametrize("build", BUILDS)
def test_body_rests_on_the_bench_and_the_floor(build: str) -> None:
    body = lifter(build)
    vertices = body.skeleton.skin(body.lying)
    middle = np.abs(vertices[:, 2]) < 0.10
    on_pad = middle & (vertices[:, 0] > -0.4) & (vertices[:, 0] < 0.3)
    assert 0.40 < vertices[on_pad, 1].min() < 0.432
    assert -0.005 < vertices[:, 1].min() < 0.03


@pytest.mark.parametrize("build", BUILDS)
def test_closed_hands_wrap_the_shaft(build: str) -> None:
    body = lifter(build)
    pose = body.hold(
        {side: np.array([0.0, 0.9, OUTWARD[side] * 0.36]) for side in SIDES},
        np.array([0.0, 0.0, 1.0]),
        0.6,
    )
    for tag in "LR":
        for finger in range(2, 6):
            joint = pose.head[body.mesh.bone(f"finger{finger}-3.{tag}")]
            from_axis = np.hypot(joint[0], joint[1] - 0.9)
            assert 0.014 < from_axis < 0.035


def test_two_bone_refuses_what_is_out_of_reach() -> None:
    with pytest.raises(ValueError, match="out of reach"):
        two_bone(np.zeros(3), np.array([1.0, 0.0, 0.0]), 0.3, 0.3, np.array([0.0, 1.0, 0.0]))


def test_arm_measures_of_a_plain_figure() -> None:
    joints = {
        "left_shoulder": np.array([0.0, 0.5, 0.2]),
        "right_shoulder": np.array([0.0, 0.5, -0.2]),
        "left_hip": np.array([-0.5, 0.5, 0.1]),
        "right_hip": np.array([-0.5, 0.5, -0.1]),
        "left_elbow": np.array([0.0, 0.5, 0.5]),
        "left_wrist": np.array([0.0, 0.8, 0.5]),
        "right_elbow": np.array([-0.3, 0.5, -0.2]),
        "right_wrist": np.array([-0.3, 0.8, -0.5]),
    }
    arms = truth.arm_measures(joints)
    assert arms["left"]["elbow_abduction_deg"] == pytest.approx(90)
    assert arms["left"]["forearm_lean_deg"] == pytest.approx(0)
    assert arms["right"]["elbow_abduction_deg"] == pytest.approx(0)
    assert arms["right"]["wrist_over_elbow_m"] == pytest.approx(0.3)
    assert arms["right"]["forearm_lean_deg"] == pytest.approx(45)


def test_path_measures_of_a_sine_rise() -> None:
    """A half-cosine rise of 0.4 m in 1 s: peak speed pi/2 times the mean."""
    t = np.arange(0, 1.0005, truth.STEP_S)
    y = np.concatenate([0.2 * (1 + np.cos(np.pi * t)), 0.2 * (1 - np.cos(np.pi * t[1:]))])
    x = np.linspace(0, 0.1, len(y))
    got = truth.path_measures(np.column_stack([x, y]), 0, 1000, 1000, 2000)
    assert got["range_of_motion_m"] == pytest.approx(0.4, abs=1e-6)
    assert got["mean_press_speed_m_s"] == pytest.approx(0.4, abs=1e-6)
    assert got["peak_press_speed_m_s"] == pytest.approx(0.4 * np.pi / 2, abs=1e-4)
    assert got["touch_to_lockout_x_m"] == pytest.approx(0.05, abs=1e-6)


def test_motion_has_continuous_acceleration() -> None:
    reps = (RepSpec(left_lag=0.05), RepSpec(fail_share=0.5), RepSpec(depth_share=0.7))
    levels = Levels((1.1,) * 3, (0.7,) * 3, 0.22, 1.0)
    motion = BarMotion(SetSpec(reps), levels, 1)
    for side in SIDES:
        acceleration = motion.height[side].derivative(2)
        knots = motion.height[side].x[1:-1]
        assert np.abs(acceleration(knots + 1e-9) - acceleration(knots - 1e-9)).max() < 1e-4
        assert float(motion.height[side](0.0)) == pytest.approx(1.1)


def test_tilt_is_positive_with_the_left_end_up() -> None:
    assert truth.tilt_deg(np.array([0.0, np.sin(0.1), np.cos(0.1)])) == pytest.approx(
        np.degrees(0.1)
    )


def test_bar_follows_the_rule_book() -> None:
    """The barbell against the IPF Technical Rules Book (from memory).

    Bar at most 2.2 m long, 1.31 to 1.32 m between collar faces, discs up to 450 mm, grip marks
    0.81 m apart.
    """
    assert BAR_LENGTH_M <= 2.2
    assert 1.31 <= INNER_FACES_M <= 1.32
    assert all(p.diameter_m <= 0.45 for clip in CLIPS for p in clip.load.plates)
    assert all(clip.sets.grip_width_m <= 0.81 for clip in REPORTING)


def test_plate_faces_follow_each_other() -> None:
    load = Load((Plate(0.45, 0.04), Plate(0.45, 0.03), Plate(0.2, 0.02)))
    assert load.biggest_m == load.face_m(1)
    assert Load(()).biggest_m == (Load(()).inner_face_m, BAR_LENGTH_M / 2)
    assert load.face_m(1) == pytest.approx((load.inner_face_m + 0.04, load.inner_face_m + 0.07))


def test_projection_agrees_with_opencv() -> None:
    spec = CameraSpec((-2.0, 1.5, 1.8), (0.0, 0.7, 0.0), 1.5, k1=-0.05, k2=0.01, shake_deg=0.3)
    view = Camera(spec, 3).at(1.7)
    points = np.random.default_rng(0).uniform(-0.8, 0.8, (20, 3)) + np.array([0, 0.7, 0])
    matrix = np.array([[view.focal_px, 0, view.cx_px], [0, view.focal_px, view.cy_px], [0, 0, 1.0]])
    turn, _ = cv2.Rodrigues(view.rotation)
    seen, _ = cv2.projectPoints(
        points, turn, -view.rotation @ view.centre, matrix, np.array([view.k1, view.k2, 0, 0.0])
    )
    assert np.allclose(view.project(points), seen[:, 0], atol=1e-6)


def test_clips_have_names_and_seeds_of_their_own() -> None:
    lists = (
        REPORTING, TUNING, STRANGERS, NEWCOMERS, LATECOMERS, VISITORS, COMPARISONS, PLACES,
        CALLERS, REGULARS, ARRIVALS, *TWO_WAYS.values(),
    )  # fmt: skip
    assert len(NAMES) == len(CLIPS) == sum(map(len, lists))
    for one, other in itertools.combinations(lists, 2):
        assert not {c.seed for c in one} & {c.seed for c in other}
    assert {c.purpose for c in REPORTING} == {"reporting"}
    assert {c.purpose for c in TUNING} == {"tuning"}
    assert {c.purpose for c in STRANGERS} == {"strangers"}
    assert {c.purpose for c in NEWCOMERS} == {"newcomers"}
    assert {c.purpose for c in LATECOMERS} == {"latecomers"}
    assert {c.purpose for c in VISITORS} == {"visitors"}
    assert {c.purpose for c in COMPARISONS} == {"comparisons"}
    assert {c.purpose for c in PLACES} == {"places"}
    known = {c.build for c in (*REPORTING, *TUNING)}
    strange = {c.build for c in (*STRANGERS, *NEWCOMERS, *LATECOMERS)}
    assert not known & strange
    visitors, compared = {c.build for c in VISITORS}, {c.build for c in COMPARISONS}
    assert not (known | strange) & (visitors | compared)
    assert not visitors & compared
    assert {c.build for c in PLACES} <= compared
    assert {c.purpose for c in CALLERS} == {"callers"}
    callers = {c.build for c in CALLERS}
    assert not (known | strange | visitors | compared) & callers
    assert {c.purpose for c in REGULARS} == {"regulars"}
    assert {c.purpose for c in ARRIVALS} == {"arrivals"}
    regulars, arrivals = {c.build for c in REGULARS}, {c.build for c in ARRIVALS}
    assert not (known | strange | visitors | compared | callers) & (regulars | arrivals)
    assert not regulars & arrivals
    seen = known | strange | visitors | compared | callers | regulars | arrivals
    for name, party in TWO_WAYS.items():
        assert {c.purpose for c in party} == {name}
        builds = {c.build for c in party}
        assert not seen & builds
        seen |= builds


def test_arms_are_shared_as_peoples_are() -> None:
    """Upper arm by forearm: mean of de Leva 1996, spread of ANSUR II (both from memory)."""
    builds = sorted({c.build for c in (*REGULARS, *ARRIVALS, *itertools.chain(*TWO_WAYS.values()))})
    quotients = []
    for mesh in map(baked_mesh, builds):
        shoulder, elbow, wrist = (
            mesh.heads[mesh.bone(f"{name}.L")] for name in ("upperarm01", "lowerarm01", "wrist")
        )
        quotients.append(np.linalg.norm(elbow - shoulder) / np.linalg.norm(wrist - elbow))
    logs = np.log(quotients)
    assert abs(logs.mean() - np.log(281.7 / 268.9)) < 0.03
    assert 0.03 < logs.std() < 0.06


@pytest.mark.parametrize("party", TWO_WAYS.values(), ids=TWO_WAYS)
def test_both_ways_are_pressed_on_one_day(party: tuple[ClipSpec, ...]) -> None:
    """Both ways share lifter, clothes, room and plates; every other lifter's, the cameras too."""
    clips = {c.name[3:]: c for c in party}
    for number, view in itertools.product(range(1, 19), ("front", "oblique", "side")):
        one, other = (clips[f"{number:02d}{way}_{view}"] for way in "ab")
        for name in ("build", "outfit", "room", "load", "stance"):
            assert getattr(one, name) == getattr(other, name)
        assert (one.camera == other.camera) == (number % 2 == 1)
        assert (one.sets.grip_width_m, one.style) != (other.sets.grip_width_m, other.style)


def test_comparisons_hold_a_session_still() -> None:
    """Both ways of a session share lifter, clothes and plates; half the lifters, the cameras."""
    assert len(COMPARISONS) == 8 * 5 * 2 * 3
    moved = set()
    for clip in COMPARISONS:
        lifter_number, way, session = clip.name[3:5], clip.name[5], clip.name[6]
        if way == "b":
            continue
        other = NAMES[f"qc_{lifter_number}b{session}_{clip.view}"]
        for kept in ("build", "outfit", "load", "room", "gain"):
            assert getattr(clip, kept) == getattr(other, kept)
        assert clip.sets != other.sets
        if clip.camera != other.camera:
            moved.add(lifter_number)
    assert len(moved) == 4


def test_places_show_one_set() -> None:
    for number in {c.seed for c in PLACES}:
        clips = [c for c in PLACES if c.seed == number]
        assert len(clips) == 9
        assert len({(c.build, c.sets, c.style, c.stance, c.duration_s) for c in clips}) == 1
        assert len({c.camera.position_m for c in clips}) == 9
        half = clips[0].room.half_width_m
        assert all(abs(c.camera.position_m[2]) < half for c in clips)


def test_packed_bodies_come_back() -> None:
    rng = np.random.default_rng(1)
    base = rng.integers(-20_000, 20_000, (50, 3)).astype(np.int16)
    bodies = (base + rng.integers(-4000, 4000, (3, 50, 3))).astype(np.int16)
    packed = pack(bodies, base)
    assert np.abs(unpack(packed, base).astype(int) - bodies).max() <= STEPS / 2
    assert np.array_equal(unpack(packed[:, 1], base), unpack(packed, base)[1])


@pytest.mark.parametrize("clip", REPORTING, ids=lambda clip: clip.name)
def test_committed_truth_is_consistent(clip: ClipSpec) -> None:
    document = json.loads((FOLDER / f"{clip.name}.truth.json").read_text(encoding="utf-8"))
    rows = list(csv.DictReader(io.StringIO((FOLDER / f"{clip.name}.truth.csv").read_text("utf-8"))))
    assert document["schema"] == truth.SCHEMA
    assert len(rows) == document["n_frames"]
    assert document["reps"]
    for rep in document["reps"]:
        assert rep["start_s"] < rep["touch_s"] <= rep["press_s"] < rep["highest_s"]
        assert (rep["lockout_s"] is None) == (rep["kind"] == "failed")
    points = np.array([[float(r[f"bar_middle_{a}_m"]) for a in "xyz"] for r in rows])
    axis = np.array([[float(r[f"axis_{a}"]) for a in "xyz"] for r in rows])
    hand = np.array([[float(r[f"left_hand_{a}_m"]) for a in "xyz"] for r in rows])
    off_axis = np.linalg.norm(np.cross(hand - points, axis), axis=1)
    assert off_axis.max() < 3e-4
    lowest, highest = points[:, 1].min(), points[:, 1].max()
    assert (
        document["reps"][0]["paths"]["bar_middle"]["range_of_motion_m"] <= highest - lowest + 1e-3
    )


def test_bar_is_unracked_and_reracked_within_reach() -> None:
    spec = replace(SHORTEST, sets=replace(SHORTEST.sets, unrack=True, rerack=True))
    spec = replace(spec, duration_s=World(spec).motion.duration_s)
    world = World(spec)
    for time in np.arange(0.0, world.motion.duration_s, 0.1):
        world.pose(world.bar(float(time)))
    dense = truth.sample(world)
    for end in (0, -1):
        assert np.allclose(
            dense.middle[end, :2], [world.room.hook_x_m, world.room.hook_y_m], atol=0.003
        )
    assert len(truth.find_reps(world, dense)) == len(spec.sets.reps)
    assert np.abs(np.diff(dense.middle, axis=0)).max() / truth.STEP_S < 1.5


def test_another_seed_gives_another_truth() -> None:
    spec = replace(SHORTEST, duration_s=0.2)
    first, second = truth.make(spec), truth.make(replace(spec, seed=spec.seed + 1))
    assert truth.make(spec) == first
    assert first[1] != second[1]


@pytest.mark.parametrize("clip", REPORTING, ids=lambda clip: clip.name)
def test_video_has_the_frames_and_times_of_its_truth(clip: ClipSpec) -> None:
    with av.open(str(FOLDER / f"{clip.name}.mp4")) as container:
        stream = container.streams.video[0]
        times = sorted(float(p.pts * p.time_base) for p in container.demux(stream) if p.size)
        turned = clip.rotation_deg % 180 != 0
        size = (stream.width, stream.height)
    rows = csv.DictReader(io.StringIO((FOLDER / f"{clip.name}.truth.csv").read_text("utf-8")))
    truth_times = [float(r["time_s"]) for r in rows]
    assert len(times) == len(truth_times)
    assert np.allclose(np.array(times) - times[0], truth_times, atol=2e-5)
    upright = (clip.camera.width_px, clip.camera.height_px)
    assert size == (upright[::-1] if turned else upright)


def test_committed_files_stay_small() -> None:
    files = [p for p in FOLDER.rglob("*") if p.suffix in {".mp4", ".csv", ".json", ".npz"}]
    assert sum(p.stat().st_size for p in files) < 30e6


# Clips of one seed show one set; some of every list by default.
ONE_OF_EACH_SET = [
    pytest.param(clip, marks=() if clip in REPORTING or n % 5 == 0 else pytest.mark.slow)
    for n, clip in enumerate({clip.seed: clip for clip in CLIPS}.values())
]


@pytest.mark.parametrize("clip", ONE_OF_EACH_SET, ids=lambda clip: clip.name)
def test_bar_stays_within_reach(clip: ClipSpec) -> None:
    world = World(clip)
    for time in np.linspace(world.times_s[0], world.times_s[-1], 9):
        bar = world.bar(float(time))
        pose = world.pose(bar)
        for side, centre in truth.hand_centres(world, pose).items():
            assert np.linalg.norm(np.cross(centre - bar.middle, bar.axis)) < 1e-6, side
