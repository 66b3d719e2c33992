"""The report: one file, safe with hostile text, readable by machine and by eye."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd
import pytest
from matplotlib import pyplot

from barpath.analysis.setresult import Note, SetResult
from barpath.analysis.stills import best_seen_rep, still_requests
from barpath.report import measureplots, pathplots, picture, timeplots
from barpath.report.findings import findings
from barpath.report.framestate import frame_states
from barpath.report.overlay import annotate_frame
from barpath.report.setpage import ReportConfig, Still, report_html
from tests.made_results import FPS, HIDDEN, make_image, make_result

VOID = {"meta", "img", "source", "br", "hr", "link", "input"}
HOSTILE = """x"><script>alert(1)</script><img src=x onerror='alert(2)'>&amp;`"""


class Document(HTMLParser):
    """Collects tags, attributes and text, and whether every element is closed where it should."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.open: list[str] = []
        self.wrong: list[str] = []
        self.feed(text)
        self.close()
        self.wrong += [f"<{tag}> left open" for tag in self.open]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        if len(set(names)) < len(names):
            self.wrong.append(f"<{tag}> repeats an attribute")
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self.wrong.append(f"</{tag}> closes {self.open[-1:]}")
        elif self.open:
            self.open.pop()

    def handle_data(self, data: str) -> None:
        if not (self.open and self.open[-1] == "style"):
            self.text.append(data)

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attrs for name, attrs in self.tags if name == tag]

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.text))


def stills_of(result: SetResult) -> list[Still]:
    states = {s.frame: s for s in frame_states(result)}
    return [
        Still(r, annotate_frame(make_image(result, r.frame), states[r.frame]))
        for r in still_requests(result)
    ]


@pytest.fixture(scope="module", params=["side", "front", "oblique"])
def page(request: pytest.FixtureRequest) -> tuple[SetResult, str, Document]:
    result = make_result(request.param, n_reps=4)
    with pytest.MonkeyPatch.context() as patch:
        if request.param == "oblique":
            # The same pictures as from the side; rendering them twice would only take time.
            patch.setattr(picture.Picture, "svg", lambda self: b"<svg/>")
        text = report_html(result, stills_of(result), video=b"\0clip", video_name="annotated.mp4")
    return result, text, Document(text)


Page = tuple[SetResult, str, Document]


def test_page_is_well_formed_and_accessible(page: Page) -> None:
    _, text, document = page
    assert text.startswith("<!DOCTYPE html>")
    assert document.wrong == []
    assert document.all("html") == [{"lang": "en"}]
    assert len(document.all("title")) == len(document.all("h1")) == len(document.all("main")) == 1
    assert all(attrs.get("alt") for attrs in document.all("img"))
    assert len(document.all("img")) >= 5
    assert all(attrs.get("scope") in ("col", "row") for attrs in document.all("th"))
    ids = [attrs["id"] for _, attrs in document.tags if "id" in attrs]
    assert len(set(ids)) == len(ids)
    pointed = {a["aria-labelledby"] for _, a in document.tags if "aria-labelledby" in a}
    assert pointed <= set(ids)
    levels = [int(tag[1]) for tag, _ in document.tags if re.fullmatch("h[1-6]", tag)]
    assert all(b - a <= 1 for a, b in pairwise(levels))


def test_page_asks_nothing_of_the_network(page: Page) -> None:
    _, text, document = page
    for tag, attrs in document.tags:
        assert tag not in {"script", "link", "iframe", "object", "embed", "form", "base", "a"}
        assert not [name for name in attrs if name.startswith("on") or name == "style"]
        for name in ("src", "href", "poster", "srcset", "action", "data"):
            assert (attrs.get(name) or "data:").startswith("data:")
    pictures = [
        base64.b64decode(attrs["src"].split(",", 1)[1])
        for attrs in document.all("img")
        if attrs["src"].startswith("data:image/svg+xml")
    ]
    assert len(pictures) >= 4
    for source in [re.sub(r'src="data:[^"]*"', "", text).encode(), *pictures]:
        # Names of XML vocabularies look like addresses, but nothing fetches them.
        names = rb"http://www\.w3\.org/(2000/svg|1999/xlink)"
        assert not re.search(rb"(https?:)?//\w", re.sub(names, b"", source))
        assert b"@import" not in source
        assert not re.search(rb"url\((?!#)", source)


def test_the_answer_comes_first_and_the_rest_is_folded_away(page: Page) -> None:
    _, text, document = page
    whole = [attrs["aria-labelledby"] for attrs in document.all("section")]
    assert whole == ["answer", "findings", "cautions"]
    heads = [attrs["id"] for tag, attrs in document.tags if tag == "h2"]
    assert heads[:3] == whole
    assert len(document.all("details")) == len(heads) - 3
    assert not [attrs for attrs in document.all("details") if "open" in attrs]
    for topic in ("Grip", "Tuck", "Touch", "Path", "What to try next"):
        assert text.index(f">{topic}") < text.index('id="findings"')
    # Of these made sets nobody's wrists are known, whatever the view.
    assert "Film from the feet" in text


def test_numbers_are_written_by_one_rule(page: Page) -> None:
    """JCGM 100:2008 (GUM), 7.2.6: one or two digits of uncertainty, the value to the same place."""
    words = page[2].words.replace("\u00a0", " ")
    stated = re.findall(r"([−+]?[\d.]+) ± ([\d.]+)", words)
    assert len(stated) > 20
    for value, u95 in stated:
        assert len(u95.replace(".", "").strip("0")) <= 2, (value, u95)
        assert len(value.partition(".")[2]) == len(u95.partition(".")[2]), (value, u95)


def test_policy_forbids_all_but_what_is_inside(page: Page) -> None:
    _, text, document = page
    policy = next(
        a["content"]
        for a in document.all("meta")
        if a.get("http-equiv") == "Content-Security-Policy"
    )
    rules = dict(rule.strip().split(" ", 1) for rule in policy.split(";"))
    assert rules["default-src"] == "'none'"
    assert rules["img-src"] == "data:"
    assert set(rules["media-src"].split()) == {"data:", "file:", "'self'"}
    assert "script-src" not in rules
    style = re.search(r"<style>(.*?)</style>", text, re.S).group(1)
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    assert rules["style-src"] == f"'sha256-{digest}'"


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the rendering of pictures out where a test is about words."""
    monkeypatch.setattr(picture.Picture, "svg", lambda self: b"<svg/>")


@pytest.mark.usefixtures("quick")
@pytest.mark.parametrize("view", ["side", "front"])
def test_hostile_text_stays_text(view: str) -> None:
    result = make_result(view, n_reps=2, source_name=HOSTILE + "\u202egpm.4pm")
    result.options = {"load_kg": HOSTILE, "note": HOSTILE, HOSTILE: HOSTILE}
    result.calibration = {"method": HOSTILE, HOSTILE: 1.0}
    result.notes = [Note(HOSTILE, "warning", HOSTILE)]
    result.versions = {HOSTILE: HOSTILE}
    result.measures["reason"] = result.measures["reason"].where(
        result.measures["reason"] == "", HOSTILE
    )
    text = report_html(result, [], video_name=HOSTILE)
    document = Document(text)
    assert document.wrong == []
    assert not document.all("script")
    assert all("onerror" not in attrs for _, attrs in document.tags)
    assert "\u202e" not in text
    assert document.words.count("<script>alert(1)</script>") >= 6
    assert document.all("source")[0]["src"].startswith("x%22%3E%3Cscript")


@pytest.mark.usefixtures("quick")
def test_clip_is_embedded_only_when_small() -> None:
    result = make_result(n_reps=1)
    config = ReportConfig(embed_limit_bytes=10)

    def sources(**options: Any) -> list[str | None]:
        return [a["src"] for a in Document(report_html(result, **options)).all("source")]

    both = {"video_name": "annotated.mp4", "config": config}
    assert sources(video=b"0123456789", **both) == ["data:video/mp4;base64,MDEyMzQ1Njc4OQ=="]
    assert sources(video=b"0123456789A", **both) == ["annotated.mp4"]
    assert sources(video_name="annotated.mp4") == ["annotated.mp4"]
    assert sources() == []


@pytest.mark.usefixtures("quick")
def test_table_shows_value_uncertainty_and_quality_in_a_lifters_units() -> None:
    result = make_result("side")
    words = Document(report_html(result)).words
    assert "34.0 ± 0.6, good" in words
    assert "1.09 ± 0.05, poor" in words
    assert "– missing" in words
    assert "66 ± 7, fair" in words


def test_what_is_missing_is_grouped_by_reason(page: Page) -> None:
    result, _, document = page
    words = document.words
    if result.view == "front":
        assert HIDDEN not in words
        return
    assert words.count(HIDDEN) == 1
    section = words.split("What could not be measured, and why")[1].split("How it was measured")[0]
    assert "(right)" in section
    assert "all reps" in section
    assert "– rep 2" in section


@pytest.mark.usefixtures("quick")
def test_reasons_that_differ_in_a_figure_are_one_reason() -> None:
    result = make_result("side")
    lost = result.measures["quality"] == "missing"
    share = [f"Seen in {k} % of the frames." for k in range(lost.sum())]
    result.measures.loc[lost, "reason"] = share
    words = Document(report_html(result)).words
    assert len(re.findall(r"Seen in \d+ % of the frames", words)) == 1


def test_how_it_was_measured(page: Page) -> None:
    _, _, document = page
    for part in (
        "guessed from the picture",
        "450 mm",
        "± 1.2 % (95 %)",
        "0.8 ± 0.6°",
        "30 frames a second",
        "2 missing",
        "Two frames are missing from the clip.",
        "82.5 kg",
    ):
        assert part in document.words.replace("\u00a0", " ")
    assert "nan" not in document.words.lower().split()


def test_cautions_are_there(page: Page) -> None:
    _, _, document = page
    for part in ("spotter", "safeties", "Pain means stop", "clinician", "rule book", "referees"):
        assert part in document.words
    assert "Nothing here promises to prevent an injury" in document.words


def test_small_differences_are_not_called_differences() -> None:
    result = make_result("side")
    said = " ".join(findings(result))
    assert "Press time went up" in said
    assert "Range of motion" not in said
    wide = make_result("side")
    wide.measures["u95"] *= 100
    assert not any("went" in s for s in findings(wide))
    assert "no more than" in findings(wide)[0]


def test_failed_reps_are_not_compared_with_whole_ones() -> None:
    result = make_result("side", n_reps=2)
    result.measures.loc[result.measures["rep"] == 2, "value"] *= 3.0
    assert any("on rep 2." in s and "went" in s for s in findings(result))
    result.reps.loc[1, "kind"] = "failed"
    assert not any("went" in s for s in findings(result))


def test_sideways_finding_names_the_direction() -> None:
    result = make_result("side", n_reps=2)
    said = findings(result)[0].replace("\u00a0", " ")
    assert said == (
        "From touch to lockout the bar moved toward the head on every rep: "
        "5.8 ± 0.6 cm on rep 1, 6.2 ± 0.6 cm on rep 2."
    )
    rows = result.measures["measure"] == "drift_touch_to_lockout_m"
    result.measures.loc[rows, "value"] *= [-1.0, 0.01]
    said = findings(result)[0].replace("\u00a0", " ")
    assert "5.8 ± 0.6 cm toward the feet on rep 1" in said
    assert "no more than 0.6 cm either way on rep 2" in said


def test_left_and_right_are_compared_with_their_uncertainty() -> None:
    result = make_result("front")
    assert not any("side shows" in s for s in findings(result))
    right = (result.measures["measure"] == "elbow_abduction_deg") & (
        result.measures["side"] == "right"
    )
    result.measures.loc[right, "value"] += 15.0
    said = [s.replace("\u00a0", " ") for s in findings(result) if "side shows" in s]
    assert len(said) == 1
    assert "the right side shows 15 ± 10° more than the left" in said[0]


def test_best_seen_rep_and_its_stills() -> None:
    result = make_result("side")
    confidence = [c for c in result.pose.columns if c.endswith("_confidence")]
    third_rep = result.reps.iloc[2]
    near_third = result.pose["time_s"].between(third_rep["touch_s"] - 0.2, third_rep["end_s"])
    result.pose.loc[~near_third, confidence] = 0.2
    assert best_seen_rep(result) == 3
    result.reps.loc[result.reps["rep"] == 3, "kind"] = "partial"
    assert best_seen_rep(result) != 3
    result.reps["kind"] = "complete"
    touch, lockout = still_requests(result)
    assert abs(touch.frame / FPS - result.reps["touch_s"][2]) <= 0.1
    assert abs(lockout.frame / FPS - result.reps["lockout_s"][2]) <= 0.1
    assert touch.frame in set(result.pose["frame"])


@pytest.mark.usefixtures("quick")
def test_thin_results_still_make_a_report() -> None:
    result = make_result("side")
    result.measures["value"] = np.nan
    result.measures["quality"] = "missing"
    result.pose = pd.DataFrame()
    result.phases = result.phases.iloc[:0]
    result.trajectory["x_smooth_m"] = np.nan
    result.notes = []
    document = Document(report_html(result))
    assert document.wrong == []
    assert "No difference in this set is larger than its uncertainty" in document.words
    result.reps = result.reps.iloc[:0]
    result.measures = result.measures.iloc[:0]
    assert Document(report_html(result)).wrong == []


@pytest.mark.usefixtures("quick")
def test_unknown_head_is_not_guessed() -> None:
    result = make_result("side")
    result.calibration["head_direction"] = "unknown"
    document = Document(report_html(result))
    said = " ".join([*findings(result), *(a["alt"] for a in document.all("img"))])
    assert "to the picture's right on every rep" in said
    assert "toward the" not in said


@pytest.mark.usefixtures("quick")
def test_rep_that_the_clip_cuts_is_shown_and_said() -> None:
    result = make_result("side", n_reps=3)
    result.reps["cut"] = ["start", "", "end"]
    result.reps.loc[0, "start_s"] = np.nan
    result.reps.loc[2, ["lockout_s", "end_s"]] = np.nan
    result.reps.loc[2, "kind"] = "partial"
    states = frame_states(result)
    assert states[0].rep == 1
    assert states[-1].rep == 3
    axes = pathplots.bar_path_picture(result).figure.axes[0]
    assert all(np.isfinite(line.get_ydata()).sum() > 10 for line in axes.get_lines()[:2])
    words = Document(report_html(result)).words
    assert "Rep 1 clip cuts its start" in words
    assert "Rep 3 partial, clip cuts its end" in words
    assert best_seen_rep(result) == 2


def test_bar_path_has_equal_axes_and_a_centimetre_grid() -> None:
    result = make_result("side")
    picture = pathplots.bar_path_picture(result)
    picture.png(60)
    axes = picture.figure.axes[0]
    box = axes.get_window_extent()
    per_cm = [box.width / np.ptp(axes.get_xlim()), box.height / np.ptp(axes.get_ylim())]
    assert per_cm[0] == pytest.approx(per_cm[1], rel=1e-3)
    assert set(np.round(np.diff(axes.get_yticks()), 6)) == {5.0}
    ticks = np.sort([*axes.yaxis.get_minorticklocs(), *axes.yaxis.get_majorticklocs()])
    low, high = axes.get_ylim()
    inside = ticks[(ticks > low) & (ticks < high)]
    assert set(np.round(np.diff(inside), 6)) == {1.0}
    assert "Rep 3: 34 cm up and 6.6 cm toward the head" in picture.alt


def test_ends_picture_says_which_end_is_higher() -> None:
    result = make_result("front")
    table = result.trajectory
    for flip in (1.0, -1.0):
        table["tilt_deg"] = flip * 4.0 * (table["time_s"] > 5.0)
        table["left_y_m"], table["right_y_m"] = 0.02 * (table["time_s"] > 5.0), 0.0
        assert "4.0 degrees at 5.0 s, with the lifter's left end higher" in (
            timeplots.ends_picture(result).alt
        )


def test_pictures_are_reproducible_and_leave_no_state() -> None:
    result = make_result("side", n_reps=2)
    first, second = (timeplots.time_curves_picture(result).svg() for _ in range(2))
    assert first == second
    assert measureplots.measures_picture(result).png(50).startswith(b"\x89PNG")
    assert pyplot.get_fignums() == []
