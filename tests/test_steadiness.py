"""What a grey level more or less changes: the comparison itself, and the clips it writes."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from barpath.analysis.config import AnalysisConfig
from barpath.clip.frames import probe, stream
from barpath.clip.writer import VideoWriter
from barpath.errors import BarNotFoundError, ClipError, OptionError
from barpath.trial import steadiness as st

from .made_results import make_result


@pytest.fixture(scope="module")
def clip(tmp_path_factory: pytest.TempPathFactory) -> Path:
    rng = np.random.default_rng(2)
    path = tmp_path_factory.mktemp("clips") / "clip.mp4"
    image = rng.integers(0, 256, (60, 80, 3), dtype=np.uint8)
    with VideoWriter(path, 80, 60, 30.0) as writer:
        for time_s in (0.0, 0.033, 0.071, 0.1):
            writer.write(np.roll(image, int(200 * time_s), axis=0), time_s)
    return path


def images(path: Path) -> np.ndarray:
    return np.stack([frame.image for frame in stream(path)]).astype(int)


def test_every_pixel_changes_by_a_grey_level_at_most_and_nothing_else_does(
    clip: Path, tmp_path: Path
) -> None:
    changed = st.write_changed(clip, tmp_path / "a.mp4", 1)
    off = images(changed) - images(clip)
    assert set(np.unique(off)) == {-1, 0, 1}
    shares = [np.mean(off == level) for level in (-1, 0, 1)]
    assert np.abs(np.array(shares) - 1 / 3).max() < 0.04
    np.testing.assert_allclose(probe(changed).times_s, probe(clip).times_s, atol=1e-5)
    again = st.write_changed(clip, tmp_path / "b.mp4", 1)
    other = st.write_changed(clip, tmp_path / "c.mp4", 2)
    assert (images(again) == images(changed)).all()
    assert (images(other) != images(changed)).any()


def test_encoding_again_keeps_times_and_changes_pixels(clip: Path, tmp_path: Path) -> None:
    again = st.write_encoded_again(clip, tmp_path / "a.mp4")
    np.testing.assert_allclose(probe(again).times_s, probe(clip).times_s, atol=1e-4)
    off = np.abs(images(again) - images(clip))
    assert 0 < off.mean() < 20


def outcome(change: str, **columns: list[float]) -> st.Outcome:
    table = pd.DataFrame(
        {
            "rep": [1, 1, 1, 2],
            "measure": ["range_of_motion_m", "grip_width_m", "descent_s", "descent_s"],
            "side": ["", "", "", ""],
            "value": [0.40, 0.80, 1.0, np.nan],
            "u95": [0.01, 0.02, 0.0, np.nan],
            **columns,
        }
    )
    return st.Outcome("clip.mp4", change, "front", ("complete", "failed"), table)


def test_measures_are_held_against_the_interval_of_the_clip_as_it_is() -> None:
    usual = outcome(st.AS_FILMED)
    row = st.compared(usual, usual)
    assert (row["same_reps"], row["measures"], row["within"], row["worst"]) == (True, 3, 3, 0.0)
    row = st.compared(usual, outcome("x", value=[0.409, 0.83, 1.0, np.nan], u95=[1.0] * 4))
    assert (row["measures"], row["within"], row["gone"], row["new"]) == (3, 2, 0, 0)
    assert row["worst"] == pytest.approx(1.5)
    assert row["worst_measure"] == "1 grip_width_m"
    row = st.compared(usual, outcome("x", value=[np.nan, 0.8, 1.01, 1.0]))
    assert (row["within"], row["gone"], row["new"]) == (1, 1, 1)


def test_other_repetitions_kinds_or_view_are_told() -> None:
    usual = outcome(st.AS_FILMED)
    for other in (
        replace(usual, kinds=("complete",)),
        replace(usual, kinds=("complete", "complete")),
        replace(usual, view="side"),
        replace(usual, problem="No bar was found."),
    ):
        assert not st.compared(usual, replace(other, change="x"))["same_reps"]


def test_table_over_clips(clip: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    seen = []

    def analyse(path: Path, config: AnalysisConfig) -> object:
        seen.append(Path(path))
        result = make_result("side", 2)
        if len(seen) == 3:
            raise BarNotFoundError("No bar was found.")
        return result

    monkeypatch.setattr(st, "analyse", analyse)
    told: list[st.Outcome] = []
    table = st.steadiness([clip], seeds=(1, 2), tell=told.append)
    assert len(table) == 3
    assert len(told) == 4
    assert table["same_reps"].tolist() == [True, False, True]
    assert seen[0] == clip.resolve()
    assert all(path.name == "clip.mp4" and not path.exists() for path in seen[1:])
    text = st.format_steadiness(table)
    assert "clip.mp4, grey levels, seed 2: No bar was found." in text
    assert "1/2" in text
    assert "1/1" in text
    assert text.count("100.0 %") == 2


def test_what_cannot_be_compared_is_refused(
    tmp_path: Path, clip: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(ClipError, match=r"none\.mp4"):
        st.steadiness([tmp_path / "none.mp4"])
    monkeypatch.chdir(tmp_path)
    with pytest.raises(OptionError, match="--clips"):
        st.sample_clips()

    def analyse(*_: object, **__: object) -> None:
        raise BarNotFoundError("No bar was found.")

    monkeypatch.setattr(st, "analyse", analyse)
    with pytest.raises(ClipError, match="as it is: No bar"):
        st.steadiness([clip], seeds=(1,))
