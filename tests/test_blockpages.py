"""Pages of a block, and the commands that write them."""

import dataclasses
import json
import re
from html.parser import HTMLParser

import cv2
import numpy as np
import pandas as pd
import pytest

from barpath.analysis.store import write_results
from barpath.block import blockstore, compare, drift
from barpath.block.work import STILL_FILE, STILL_SIDE_PX, bottom_frame
from barpath.errors import OptionError, OutputError
from barpath.lift.catalogue import measure_label
from barpath.report import blockpages, blockplots, blockwords, comparepage, pagesfolder
from barpath.report.beside import TOPICS
from barpath.trial.madeblock import BlockDesign, make_block
from tests.forking import run
from tests.made_results import make_image, make_result

EVIL = "<script>alert('x')</script>\u202e\"&"


class Checker(HTMLParser):
    """Tags in balance, no script, nothing from outside."""

    VOID = ("meta", "img", "br", "source")

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []
        self.feed(text)
        assert not self.open

    def handle_starttag(self, tag, attrs):
        assert tag != "script"
        attrs = dict(attrs)
        assert not [name for name in attrs if name.startswith("on")]
        self.ids += [attrs["id"]] if "id" in attrs else []
        self.links += [attrs["href"]] if "href" in attrs else []
        if tag == "img":
            assert attrs["src"].startswith("data:image/")
            assert attrs["alt"]
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


def save(table: pd.DataFrame, folder) -> None:
    folder.mkdir(exist_ok=True)
    (folder / "reps.parquet").write_bytes(blockstore.table_bytes(table))


@pytest.fixture(scope="module")
def table() -> pd.DataFrame:
    return make_block(BlockDesign(lifters=("Ada", "Bo"), n_sessions=4))


@pytest.fixture(scope="module")
def folder(table, tmp_path_factory):
    place = tmp_path_factory.mktemp("block")
    save(table, place)
    failures = pd.DataFrame({"clip": ["bad.mp4"], "failure": ["It holds no video."]})
    failures.to_csv(place / "failures.csv", index=False)
    return place


def text_of(html: str) -> str:
    text = re.sub(r"<[^>]+>", " ", re.sub(r"<style>.*?</style>", "", html, flags=re.S))
    return text.replace("\u00a0", " ")


def test_five_differences_hold_the_tools_own_uncertainty(table):
    rows = compare.compare(table, "technique")
    rows = rows[rows["lifter"] == "Ada"]
    found, words = blockwords.five_differences(rows)
    assert [one.topic.name for one in found] == [topic.name for topic in TOPICS]
    by_name = {one.topic.name: one for one in found}
    for name, measure in (("Touch point", "touch_point_to_shoulder_m"), ("Grip", "grip_width_m")):
        row = rows[rows["measure"] == measure].iloc[0]
        one = by_name[name]
        assert one.value == pytest.approx(row["difference"])
        half = (row["high"] - row["low"]) / 2
        assert one.u95 == pytest.approx(half)
        assert half > compare.TOOL_STAYS * row["tool_u95"]
        assert any(measure_label(measure) in sentence for sentence in words)
    assert not by_name["Speed at the sticking point"].known


def test_comparison_page(folder):
    files = comparepage.compare_files(folder)
    assert set(files) == {"compare.html", "compare.csv"}
    html = files["compare.html"].decode()
    checked = Checker(html)
    assert len(checked.ids) == len(set(checked.ids))
    text = text_of(html)
    for words in ("Ada: flared and tucked", "all lifters", "Load and speed", "Clearly different"):
        assert words in text
    for caution in ("spotter", "Pain means stop", "prevent an injury", "permission to load"):
        assert caution in text
    from io import BytesIO

    rows = pd.read_csv(BytesIO(files["compare.csv"]))
    assert list(rows.columns) == [*compare.COLUMNS, "words"]
    clear = rows[(rows["lifter"] == "Ada") & (rows["verdict"] == "clear")]
    assert len(clear)
    assert "Elbow abduction (left)" in text


def test_pages_of_a_block(folder, table):
    files = blockpages.block_files(folder)
    assert set(files) == {"coach.html", "lifter-ada.html", "lifter-bo.html"}
    coach = files["coach.html"].decode()
    assert Checker(coach).links == ["lifter-ada.html", "lifter-bo.html"]
    assert "It holds no video." in text_of(coach)
    ada = files["lifter-ada.html"].decode()
    Checker(ada)
    text = text_of(ada)
    assert "Drift with load" in text
    assert "Pain means stop" in text
    assert "Bo" not in text.split()
    for _, row in drift.trends(table[table["lifter"] == "Ada"]).iterrows():
        if sentence := drift.trend_in_words(row):
            assert sentence in text.replace("&#x27;", "'")


def test_text_from_outside_is_escaped(tmp_path, table):
    evil = table[table["date"] < "2026-03-07"]
    evil = evil.replace({"lifter": {"Ada": EVIL}, "technique": {"flared": EVIL}})
    evil["clip"] = EVIL + evil["clip"]
    evil.loc[evil.index[0], "mean_press_speed_m_s"] = 3.0
    evil["pause_s_reason"] = EVIL
    save(evil, tmp_path)
    pages = blockpages.block_files(tmp_path) | comparepage.compare_files(tmp_path)
    assert len([name for name in pages if name.startswith("lifter-")]) == 2
    for name, data in pages.items():
        if name.endswith(".html"):
            Checker(data.decode())
            assert "\u202e" not in data.decode()


def test_a_block_without_setups_loads_or_dates(tmp_path, table):
    bare = table.assign(technique="", date="", session=table["lifter"], load_kg=np.nan)
    save(bare, tmp_path)
    files = blockpages.block_files(tmp_path)
    for data in files.values():
        Checker(data.decode())


def test_an_empty_block(tmp_path):
    save(blockstore.table_of([{"lifter": "Ada", "rep": 1, "kind": "failed"}]), tmp_path)
    for data in blockpages.block_files(tmp_path).values():
        Checker(data.decode())


def kept_block(folder, heads=("image right", "image right")):
    """A block folder with two kept sets and their stills."""
    rows, clips = [], []
    for k, technique in enumerate(("flared", "tucked")):
        result = make_result("side", n_reps=2)
        result.calibration["head_direction"] = heads[k]
        result = dataclasses.replace(result, source_name=f"{technique}.mp4")
        if technique == "tucked":
            result.trajectory["x_smooth_m"] *= 2
        frame = bottom_frame(result)
        image = make_image(result, int(np.flatnonzero(result.track["frame"] == frame)[0]))
        shrink = STILL_SIDE_PX / max(image.shape[:2])
        image = cv2.resize(image, None, fx=shrink, fy=shrink, interpolation=cv2.INTER_AREA)
        if heads[k] == "image left":
            image = np.ascontiguousarray(image[:, ::-1])
            result.track["x_px"] = result.info.width_px - 1 - result.track["x_px"]
        place = folder / "cache/detected" / technique
        place.parent.mkdir(parents=True, exist_ok=True)
        write_results(result, place, artefacts={STILL_FILE: image})
        labels = {"lifter": "Ada", "session": "Ada 1", "date": "2026-01-01", "load_kg": 80.0}
        labels |= {"clip": f"{technique}.mp4", "technique": technique, "set_id": technique}
        rows += [row | labels for row in blockstore.rep_rows(result)]
        clips.append({"clip": f"{technique}.mp4", "detected": technique})
    save(blockstore.table_of(rows), folder)
    pd.DataFrame(clips).to_csv(folder / "clips.csv", index=False)
    return folder


def test_paths_and_bottoms_are_shown_where_kept(tmp_path):
    html = comparepage.compare_files(kept_block(tmp_path))["compare.html"].decode()
    Checker(html)
    text = text_of(html)
    assert "Bar paths" in text
    assert "The bottom, side view" in text
    assert html.count("data:image/jpeg") == 3


def test_clips_at_hand_are_shown_side_by_side(tmp_path, monkeypatch):
    folder = kept_block(tmp_path / "block")
    clips = tmp_path / "clips"
    clips.mkdir()
    asked = []

    def film(sets):
        asked.append([(one.name, one.clip) for one in sets])
        return b"clip"

    monkeypatch.setattr(comparepage, "film_bytes", film)
    assert set(comparepage.compare_files(folder, clips=clips)) == {"compare.html", "compare.csv"}
    for name in ("flared.mp4", "tucked.mp4"):
        (clips / name).write_bytes(b"x")
    files = comparepage.compare_files(folder, clips=clips)
    assert files["beside-0-side.mp4"] == b"clip"
    assert asked == [[(name, clips / f"{name}.mp4") for name in ("flared", "tucked")]]
    html = files["compare.html"].decode()
    assert 'src="beside-0-side.mp4"' in html
    assert "Side by side" in text_of(html)
    with pytest.raises(OptionError, match="clips"):
        comparepage.compare_files(folder, clips=tmp_path / "nowhere")


def test_mean_of_the_presses_lies_among_them():
    result = make_result("side", n_reps=3)
    paths = blockplots.touch_aligned(result)
    assert len(paths) == 3
    mean = blockplots.mean_press(paths)
    assert mean[0] == pytest.approx([0.0, 0.0], abs=0.2)
    tops = [p[-1] for p in paths]
    assert np.min(tops, axis=0)[0] - 0.1 <= mean[-1, 0] <= np.max(tops, axis=0)[0] + 0.1
    assert len(blockplots.mean_press([])) == 0


@pytest.mark.parametrize("head", ["image right", "image left"])
def test_bottoms_are_laid_bar_on_bar(head, tmp_path):
    """A made plate, half as large and elsewhere in the second picture, falls on the first."""
    first = make_result("side", n_reps=1)
    first.calibration["head_direction"] = "image right"
    second = make_result("side", n_reps=1)
    second.calibration |= {"head_direction": head, "px_per_m": first.calibration["px_per_m"] / 2}

    def still(result, at, radius):
        frame = bottom_frame(result)
        shrink = STILL_SIDE_PX / result.info.width_px
        full = (np.array(at) + 0.5) / shrink - 0.5
        own = result.track["frame"] == frame
        result.track.loc[own, ["x_px", "y_px"]] = full
        image = np.zeros((round(result.info.height_px * shrink), STILL_SIDE_PX, 3), np.uint8)
        return cv2.circle(image, at, radius, (255, 255, 255), -1)

    a = still(first, (400, 200), 60)
    b = still(second, (250, 260), 30)
    mixed = blockplots.overlay_bottoms((first, a), (second, b))
    grey = (np.ptp(mixed.astype(int), axis=2) < 12) & (mixed.max(axis=2) > 200)
    disc = a[:, :, 0] > 0
    assert (grey & disc).sum() > 0.95 * disc.sum()
    assert (grey & ~disc).sum() < 0.05 * disc.sum()


def test_pages_replace_only_pages(tmp_path):
    target = tmp_path / "pages"
    pagesfolder.write_pages(target, {"a.html": b"1", "b.html": b"1"})
    with pytest.raises(OutputError):
        pagesfolder.write_pages(target, {"a.html": b"2"})
    pagesfolder.write_pages(target, {"a.html": b"2"}, overwrite=True)
    assert sorted(p.name for p in target.iterdir()) == ["a.html", "pages.json"]
    (target / "mine.txt").write_text("x")
    with pytest.raises(OutputError, match="mine"):
        pagesfolder.write_pages(target, {"a.html": b"3"}, overwrite=True)
    assert (target / "a.html").read_bytes() == b"2"


def test_commands(folder, tmp_path):
    done = run("compare", folder, "--levels", "flared,tucked", "--out", "c", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "c/compare.html").is_file()
    assert json.loads((tmp_path / "c/pages.json").read_text())["files"] == [
        "compare.csv",
        "compare.html",
    ]


@pytest.mark.parametrize(
    ("arguments", "code"),
    [
        (["compare", "gone"], 6),
        (["compare", "{folder}", "--by", "nothing"], 2),
        (["compare", "{folder}", "--levels", "flared,wide"], 2),
        (["compare", "{folder}", "--split", "tomorrow"], 2),
        (["block-report", "gone"], 6),
        (["block", "gone"], 2),
        (["block", ".", "--workers", "0"], 2),
    ],
)
def test_commands_refuse_with_a_sentence(folder, tmp_path, arguments, code):
    arguments = [a.format(folder=folder) for a in arguments]
    done = run(*arguments, cwd=tmp_path)
    lines = done.stderr.strip().splitlines()
    assert done.returncode == code, done.stderr
    assert len(lines) == 1
    assert lines[0].startswith("barpath: ")
    assert lines[0].endswith(".")
    assert not list(tmp_path.iterdir())


def test_block_command_with_no_clip_that_can_be_read(tmp_path):
    (tmp_path / "clips").mkdir()
    (tmp_path / "clips/a.mp4").write_text("no video")
    done = run("block", "clips", "--workers", "1", cwd=tmp_path)
    assert done.returncode == 7, done.stderr
    assert "Note: a.mp4:" in done.stderr
    assert "failures.csv" in done.stderr.splitlines()[-1]
    assert "Traceback" not in done.stderr
