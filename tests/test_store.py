"""The result folder: whole or not at all, and read back as written."""

from __future__ import annotations

import dataclasses
import errno
import json
import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pandas as pd
import pytest

import barpath
from barpath.analysis import store
from barpath.analysis.kept import config_of, detected_in
from barpath.analysis.setresult import Note
from barpath.analysis.store import TABLE_FILES, check_target, plain, read_results, write_results
from barpath.clip.lens import Lens
from barpath.errors import OutputError
from barpath.ground import files
from barpath.lift.advice import LifterProfile
from barpath.lift.bottom import COLUMNS
from tests import made_results

SCHEMA = json.loads(
    (Path(barpath.__file__).parent / "assets" / "summary.schema.json").read_text("utf-8")
)
make_result = partial(made_results.make_result, n_reps=2)
JSON_TYPES: dict[str, Callable[[Any], bool]] = {
    "object": lambda v: isinstance(v, dict),
    "array": lambda v: isinstance(v, list),
    "string": lambda v: isinstance(v, str),
    "boolean": lambda v: isinstance(v, bool),
    "null": lambda v: v is None,
    "integer": lambda v: isinstance(v, int) and not isinstance(v, bool),
    "number": lambda v: isinstance(v, int | float) and not isinstance(v, bool),
}


def departures(value: Any, schema: dict[str, Any], where: str = "$") -> list[str]:
    """Where a value departs from the parts of JSON Schema (draft 2020-12) that ours uses."""
    known = {"$schema", "title", "description", "type", "enum", "required", "properties", "items"}
    assert set(schema) <= known | {"additionalProperties"}, f"{where}: keyword not checked here"
    wrong = []
    types = schema.get("type", [])
    types = [types] if isinstance(types, str) else types
    if types and not any(JSON_TYPES[t](value) for t in types):
        return [f"{where}: {value!r} is no {types}"]
    if "enum" in schema and value not in schema["enum"]:
        wrong.append(f"{where}: {value!r} not among {schema['enum']}")
    if isinstance(value, dict):
        properties, more = schema.get("properties", {}), schema.get("additionalProperties", True)
        wrong += [f"{where}.{k} is missing" for k in schema.get("required", []) if k not in value]
        for key, item in value.items():
            if key in properties:
                wrong += departures(item, properties[key], f"{where}.{key}")
            elif more is False:
                wrong.append(f"{where}.{key} is unknown")
            elif isinstance(more, dict):
                wrong += departures(item, more, f"{where}.{key}")
    if isinstance(value, list) and "items" in schema:
        for i, item in enumerate(value):
            wrong += departures(item, schema["items"], f"{where}[{i}]")
    return wrong


def leftovers(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


@pytest.mark.parametrize("view", ["side", "front", "oblique"])
def test_round_trip(tmp_path: Path, view: str) -> None:
    result = make_result(view)
    image = np.zeros((8, 6, 3), np.uint8)
    image[..., 0] = 200
    write_results(
        result,
        tmp_path / "set",
        artefacts={"report.html": "<p>ü</p>", "annotated.mp4": b"clip", "rep1_touch.png": image},
    )
    back = read_results(tmp_path / "set")
    for name in TABLE_FILES:
        before, after = getattr(result, name), getattr(back, name)
        pd.testing.assert_frame_equal(after, before, check_dtype=False, rtol=1e-8, atol=1e-9)
    for name in ("source_name", "view", "view_source", "options", "notes", "versions"):
        assert getattr(back, name) == getattr(result, name)
    assert back.calibration["focal_px"] is None
    assert back.info == result.info
    stored = cv2.imread(str(tmp_path / "set" / "rep1_touch.png"))
    assert stored[0, 0].tolist() == [0, 0, 200]
    assert leftovers(tmp_path) == ["set"]


@pytest.mark.parametrize("view", ["side", "front"])
def test_summary_is_strict_json_and_keeps_to_its_schema(tmp_path: Path, view: str) -> None:
    result = make_result(view)
    result.calibration["odd"] = {"a": np.inf, "b": np.array([1.0, np.nan]), "c": pd.NaT}
    write_results(result, tmp_path / "set")

    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON (RFC 8259, section 6)")

    text = (tmp_path / "set" / "summary.json").read_text("utf-8")
    data = json.loads(text, parse_constant=refuse)
    assert departures(data, SCHEMA) == []
    assert data["calibration"]["odd"] == {"a": None, "b": [1.0, None], "c": None}
    assert sorted(data["files"]) == leftovers(tmp_path / "set")
    measured = {(m["measure"], m["side"]): m for m in data["reps"][1]["measures"]}
    assert measured["mean_press_speed_m_s", ""]["value"] is None
    assert measured["mean_press_speed_m_s", ""]["quality"] == "missing"


def test_schema_check_finds_departures() -> None:
    data = store.summary(make_result())
    data["view"] = "above"
    data["reps"][0]["rep"] = "first"
    del data["notes"]
    data["extra"] = 1
    found = "\n".join(departures(data, SCHEMA))
    for part in ("$.view", "$.reps[0].rep", "$.notes is missing", "$.extra is unknown"):
        assert part in found


def test_folders_of_the_user_are_not_told() -> None:
    assert plain({"path": Path("/home/someone/secret/clip.mp4")}) == {"path": "clip.mp4"}


def test_empty_tables_come_back_empty(tmp_path: Path) -> None:
    result = make_result(pose=pd.DataFrame(), arms=pd.DataFrame())
    write_results(result, tmp_path / "set")
    back = read_results(tmp_path / "set")
    assert back.pose.empty
    assert back.arms.empty


def test_draws_and_profile_come_back_and_older_folders_lack_them(tmp_path: Path) -> None:
    rng = np.random.default_rng(0)
    draws = pd.DataFrame(rng.normal(size=(4, len(COLUMNS))), columns=COLUMNS)
    draws["draw"], draws["moment"] = [0, 1, 0, 1], ["bottom", "bottom", "lockout", "lockout"]
    result = make_result("front", draws=draws)
    profile = LifterProfile("trained", careful=("wrist",))
    result.options["profile"] = dataclasses.asdict(profile)
    folder = write_results(result, tmp_path / "set")
    back = read_results(folder)
    pd.testing.assert_frame_equal(back.draws, draws, check_dtype=False, rtol=1e-8)
    assert config_of(back).profile == profile
    summary = json.loads((folder / "summary.json").read_text())
    gone = ("draws.csv", "manifest.json")
    summary["files"] = [name for name in summary["files"] if name not in gone]
    (folder / "summary.json").write_text(json.dumps(summary))
    for name in gone:
        (folder / name).unlink()
    assert read_results(folder).draws.empty


def test_the_scenery_s_focal_length_comes_back_and_older_folders_lack_it(tmp_path: Path) -> None:
    result = make_result("front")
    assert np.isnan(detected_in(result).level.f_px)
    result.calibration |= {"scene_focal_px": 990.5, "scene_focal_rel_sd": 0.02}
    folder = write_results(result, tmp_path / "set")
    level = detected_in(read_results(folder)).level
    assert (level.f_px, level.f_rel_sd) == (990.5, 0.02)
    summary = json.loads((folder / "summary.json").read_text())
    summary["calibration"]["scene_focal_px"] = "wide"
    (folder / "manifest.json").unlink()
    (folder / "summary.json").write_text(json.dumps(summary))
    with pytest.raises(OutputError, match="scene_focal_px"):
        read_results(folder)


def test_the_lens_comes_back_and_older_folders_lack_it(tmp_path: Path) -> None:
    result = make_result("front")
    folder = write_results(result, tmp_path / "plain")
    assert json.loads((folder / "summary.json").read_text())["clip"]["lens"] is None
    assert read_results(folder).info.lens is None
    lens = Lens(-0.0123, 0.0011, 7)
    result = dataclasses.replace(result, info=dataclasses.replace(result.info, lens=lens))
    folder = write_results(result, tmp_path / "set")
    summary = json.loads((folder / "summary.json").read_text())
    assert departures(summary, SCHEMA) == []
    assert read_results(folder).info.lens == lens
    (folder / "manifest.json").unlink()
    summary["files"].remove("manifest.json")
    for given in ("wide", {"bend": "wide", "sd": 0.1, "n_structures": 3}, {"bend": 0.1}):
        summary["clip"]["lens"] = given
        (folder / "summary.json").write_text(json.dumps(summary))
        with pytest.raises(OutputError, match=r"summary\.json"):
            read_results(folder)
    del summary["clip"]["lens"]
    (folder / "summary.json").write_text(json.dumps(summary))
    assert read_results(folder).info.lens is None


def test_existing_folder_is_refused(tmp_path: Path) -> None:
    target = tmp_path / "set"
    target.mkdir()
    with pytest.raises(OutputError, match="exists already"):
        write_results(make_result(), target)
    with pytest.raises(OutputError, match="exists already"):
        check_target(target)
    write_results(make_result(), target, overwrite=True)
    before = (target / "summary.json").read_bytes()
    with pytest.raises(OutputError, match="exists already"):
        write_results(make_result("front"), target)
    assert (target / "summary.json").read_bytes() == before


def test_overwriting_replaces_the_whole_result(tmp_path: Path) -> None:
    target = tmp_path / "set"
    write_results(make_result(), target, artefacts={"rep1_touch.png": b"old"})
    write_results(make_result("front"), target, overwrite=True)
    assert read_results(target).view == "front"
    assert not (target / "rep1_touch.png").exists()
    assert leftovers(tmp_path) == ["set"]


@pytest.mark.parametrize("earlier", [False, True])
def test_files_of_the_user_are_never_deleted(tmp_path: Path, earlier: bool) -> None:
    target = tmp_path / "set"
    if earlier:
        write_results(make_result(), target)
    target.mkdir(exist_ok=True)
    (target / "diary.txt").write_text("felt heavy")
    with pytest.raises(OutputError, match=r"diary\.txt"):
        write_results(make_result(), target, overwrite=True)
    assert (target / "diary.txt").read_text() == "felt heavy"


def test_a_summary_of_something_else_is_not_taken_for_a_result(tmp_path: Path) -> None:
    (tmp_path / "summary.json").write_text('{"schema": "other", "files": ["summary.json"]}')
    with pytest.raises(OutputError, match=r"summary\.json"):
        check_target(tmp_path, overwrite=True)


def test_a_file_is_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "set").write_text("")
    with pytest.raises(OutputError, match="is a file"):
        write_results(make_result(), tmp_path / "set", overwrite=True)
    with pytest.raises(OutputError, match="cannot be written"):
        write_results(make_result(), tmp_path / "set" / "below")


@pytest.mark.parametrize("overwrite", [False, True])
@pytest.mark.parametrize(
    ("failure", "raised"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), OutputError),
        (OSError(errno.EROFS, "Read-only file system"), OutputError),
        (KeyboardInterrupt(), KeyboardInterrupt),
        (ValueError("bug"), ValueError),
    ],
)
def test_failure_leaves_nothing_and_loses_nothing(
    tmp_path: Path, failure: BaseException, raised: type[BaseException], overwrite: bool
) -> None:
    target = tmp_path / "new" / "set"
    if overwrite:
        write_results(make_result(), target, artefacts={"report.html": "old"})

    def fail(path: Path) -> None:
        path.write_text("half")
        raise failure

    with pytest.raises(raised) as caught:
        write_results(
            make_result(),
            target,
            overwrite=overwrite,
            artefacts={"report.html": "new", "annotated.mp4": fail},
        )
    if raised is OutputError:
        assert str(caught.value).count(".") >= 1
        assert "\n" not in str(caught.value)
    if overwrite:
        assert (target / "report.html").read_text() == "old"
        assert leftovers(target.parent) == ["set"]
    else:
        assert leftovers(tmp_path) == []


@pytest.mark.parametrize("failing", [1, 2])
def test_failing_rename_brings_the_old_result_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, failing: int
) -> None:
    target = tmp_path / "set"
    write_results(make_result(), target, artefacts={"report.html": "old"})
    rename, calls = Path.rename, []

    def sometimes(self: Path, to: Path) -> Path:
        calls.append(to)
        if len(calls) == failing:
            raise OSError(errno.EACCES, "Permission denied")
        return rename(self, to)

    monkeypatch.setattr(Path, "rename", sometimes)
    # As on a system that cannot let two folders change places.
    monkeypatch.setattr(files, "exchanged", lambda one, other: False)
    with pytest.raises(OutputError, match="permission is denied"):
        write_results(make_result(), target, overwrite=True, artefacts={"report.html": "new"})
    assert (target / "report.html").read_text() == "old"
    assert leftovers(tmp_path) == ["set"]


@pytest.mark.skipif(os.geteuid() == 0, reason="the superuser may write anywhere")
def test_read_only_parent(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="permission is denied"):
            write_results(make_result(), tmp_path / "set")
    finally:
        tmp_path.chmod(0o700)


def test_artefact_that_was_not_written_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(OutputError):
        write_results(make_result(), tmp_path / "s", artefacts={"annotated.mp4": lambda path: None})
    assert leftovers(tmp_path) == []


@pytest.mark.parametrize("name", ["../x.html", "reps.csv", "summary.json", ".x.png", "a/b.png"])
def test_artefact_names_stay_inside_the_folder(tmp_path: Path, name: str) -> None:
    with pytest.raises(ValueError, match="not a name"):
        write_results(make_result(), tmp_path / "set", artefacts={name: b""})


@pytest.mark.parametrize(
    "content", [None, "{", "[]", '{"schema": "barpath-summary", "schema_version": 99}', "{}"]
)
def test_reading_what_is_no_result(tmp_path: Path, content: str | None) -> None:
    if content is not None:
        (tmp_path / "summary.json").write_text(content)
    with pytest.raises(OutputError):
        read_results(tmp_path)


def test_a_view_that_there_is_not_is_damage(tmp_path: Path) -> None:
    folder = write_results(make_result(), tmp_path / "set")
    summary = json.loads((folder / "summary.json").read_text("utf-8"))
    (folder / "summary.json").write_text(json.dumps(summary | {"view": "above"}))
    with pytest.raises(OutputError, match="view"):
        read_results(folder)


def test_odd_text_survives(tmp_path: Path) -> None:
    name = 'a"b\\c\n<é>\u202e.mp4'
    result = make_result(source_name=name, notes=[Note("x", "info", "=1+1\t😀")])
    write_results(result, tmp_path / "set")
    back = read_results(tmp_path / "set")
    assert back.source_name == name
    assert back.notes[0].text == "=1+1\t😀"
