"""Sets side by side: one clock by phase, one scale, honest differences, a page and a clip."""

import dataclasses
import shutil

import cv2
import numpy as np
import pandas as pd
import pytest
from scipy import stats

from barpath.analysis.store import write_results
from barpath.clip.frames import probe, stream
from barpath.clip.writer import VideoWriter
from barpath.errors import OptionError
from barpath.ground.view import FRONT, SIDE
from barpath.report import besidefilm
from barpath.report import besidepage as page
from barpath.report.beside import (
    ANCHORS,
    TOPICS,
    Clock,
    Difference,
    Mean,
    clocks,
    difference,
    differences,
    headline,
    in_words,
    mean_of_set,
    one_clock,
)
from barpath.report.facts import Facts, Known
from barpath.report.picture import Picture
from tests.forking import run
from tests.made_detections import made_result, truth
from tests.made_results import PX_PER_M, make_image, make_result
from tests.test_report import Document

GRIP, TUCK, TOUCH, PATH, SPEED = TOPICS
EVIL = "<script>alert('x')</script>\u202e\"&"


# --- the clock ------------------------------------------------------------------------------------


def true_moments(name):
    moments = []
    for rep in truth(name)[0]["reps"]:
        sticking = rep["press_s"] + rep["sticking"]["minimum_after_press_s"]
        moments.append({n: rep[n] for n in ANCHORS if n in rep} | {"sticking_min_s": sticking})
    return moments


def test_touch_meets_touch_on_the_true_times():
    """The truth files of two made sets tell when touch, sticking point and lockout are."""
    sets = [true_moments(name) for name in ("ql_flared_side", "ql_tucked_side")]
    for together in zip(*sets, strict=True):
        clock = one_clock(together)
        assert clock.names == ANCHORS
        for k, name in enumerate(clock.names):
            for which, moments in enumerate(together):
                assert clock.own_time(which, clock.clock_s[k]) == pytest.approx(moments[name])
        lasts = [m["press_s"] - m["touch_s"] for m in together]
        assert np.diff(clock.clock_s)[1] == pytest.approx(np.mean(lasts))


def test_measured_clock_keeps_touch_within_a_tenth_of_a_second_of_the_truth():
    names = ("ql_flared_side", "ql_tucked_side")
    made = clocks([made_result(name, noise_px=0.1, joint_px=1.0).reps for name in names])
    assert len(made) == 2
    for rep, clock in enumerate(made):
        k = clock.names.index("touch_s")
        for which, name in enumerate(names):
            want = truth(name)[0]["reps"][rep]["touch_s"]
            assert clock.own_time(which, clock.clock_s[k]) == pytest.approx(want, abs=0.1)


def test_times_never_run_backward():
    clock = one_clock(
        [
            {"start_s": 1.0, "touch_s": 2.0, "press_s": 2.005, "lockout_s": 4.0},
            {"start_s": 7.0, "touch_s": 9.0, "press_s": 9.5, "lockout_s": 10.0},
        ]
    )
    # A touch without a pause in one of the sets: touch and press are one moment.
    assert clock.names == ("start_s", "touch_s", "lockout_s")
    t = np.linspace(-1, 5, 200)
    assert all((np.diff(clock.own_time(k, t)) > 0).all() for k in (0, 1))


def test_a_moment_that_one_set_lacks_is_left_out():
    whole = {
        "start_s": 1.0,
        "touch_s": 2.0,
        "press_s": 2.5,
        "sticking_min_s": 3.0,
        "lockout_s": 4.0,
    }
    assert "sticking_min_s" not in one_clock([whole, whole | {"sticking_min_s": np.nan}]).names
    assert one_clock([whole, {"touch_s": 2.0}]) is None


def test_held_pictures_show_the_moment_in_every_set():
    config = besidefilm.BesideConfig(fps=20.0)
    clock = Clock(
        ("start_s", "touch_s", "lockout_s"),
        np.array([0.0, 1.0, 2.5]),
        np.array([[3.0, 4.2, 5.0], [1.0, 1.8, 4.0]]),
    )
    shown = besidefilm.schedule([clock, clock], config)
    for rep in (1, 2):
        for word, own in (("touch", (4.2, 1.8)), ("lockout", (5.0, 4.0))):
            held = [one for one in shown if one.rep == rep and one.moment == word]
            assert len(held) == round(config.hold_s * config.fps)
            assert all(one.own_s == pytest.approx(own) for one in held)
    first = [one.own_s for one in shown if one.rep == 1]
    assert all(
        b >= a - 1e-9
        for k in (0, 1)
        for a, b in zip([t[k] for t in first], [t[k] for t in first][1:], strict=False)
    )


# --- differences ----------------------------------------------------------------------------------


def test_interval_of_as_many_repetitions_is_that_of_a_paired_t_test():
    """scipy.stats.ttest_rel, where measuring leaves nothing open."""
    rng = np.random.default_rng(2)
    first, second = rng.normal(0.3, 0.05, 6), rng.normal(0.25, 0.05, 6)
    got = difference(
        SPEED,
        Mean(tuple(first), 1e-9, 6),
        Mean(tuple(second), 1e-9, 6),
    )
    low, high = stats.ttest_rel(second, first).confidence_interval(0.95)
    assert got.value == pytest.approx((low + high) / 2)
    assert got.u95 == pytest.approx((high - low) / 2, rel=1e-6)


def test_interval_of_unlike_numbers_is_that_of_welch():
    """scipy.stats.ttest_ind with unequal variances."""
    rng = np.random.default_rng(3)
    first, second = rng.normal(0.3, 0.05, 5), rng.normal(0.25, 0.02, 8)
    got = difference(SPEED, Mean(tuple(first), 1e-9, 5), Mean(tuple(second), 1e-9, 8))
    low, high = stats.ttest_ind(second, first, equal_var=False).confidence_interval(0.95)
    assert got.value == pytest.approx((low + high) / 2)
    assert got.u95 == pytest.approx((high - low) / 2, rel=1e-6)


def test_what_measuring_leaves_open_is_added_in_quadrature():
    """JCGM 100:2008 (GUM), 5.1.2, for uncorrelated input quantities."""
    got = difference(GRIP, Mean((0.80, 0.80), 0.03, 2), Mean((0.70, 0.70), 0.04, 2))
    assert got.u95 == pytest.approx(0.05)
    assert got.clear
    assert not difference(GRIP, Mean((0.80,), 0.08, 1), Mean((0.70,), 0.08, 1)).clear


def test_true_differences_lie_in_their_intervals():
    """Made sets with joints known to a pixel, against the truth of their clips."""
    names = ("ql_flared_side", "ql_tucked_side")
    results = [made_result(name, noise_px=0.1, joint_px=1.0) for name in names]
    found = differences(*((r.measures, r.reps) for r in results))
    reps = [truth(name)[0]["reps"] for name in names]

    def gap(of):
        return np.mean([of(r) for r in reps[1]]) - np.mean([of(r) for r in reps[0]])

    arm = "elbow_abduction_deg"
    wanted = {
        "Touch point": gap(lambda r: r["touch_toward_feet_m"]),
        "Bar path": gap(lambda r: r["paths"]["bar_middle"]["touch_to_lockout_x_m"]),
        "Tuck": -gap(lambda r: np.mean([a[arm] for a in r["arms_at_bottom"].values()])),
    }
    for one in found:
        if one.topic.name in wanted:
            assert abs(one.value - wanted[one.topic.name]) < one.u95
            assert one.clear == (abs(one.value) > one.u95)
    assert not found[0].known
    assert "along the bar" in found[0].reason


def test_both_arms_are_averaged_and_reasons_kept():
    result = make_result("front", n_reps=2)
    got = mean_of_set(
        result.measures, [1, 2], dataclasses.replace(TUCK, measures=("elbow_abduction_deg",))
    )
    assert got.values == pytest.approx((62.0, 63.0))
    assert mean_of_set(result.measures, [1, 2], SPEED).reason == "The results do not hold it."
    assert mean_of_set(pd.DataFrame(), [1], SPEED).reason


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (
            Difference(TOUCH, 0.067, 0.034),
            "Touch point 6.7 ± 3.4 cm lower with tucked.",
        ),
        (
            Difference(PATH, -0.02, 0.006),
            "Bar path 2.0 ± 0.6 cm less toward the head with tucked.",
        ),
        (
            Difference(GRIP, 0.01, 0.03),
            "Grip: no difference can be told; it may lie anywhere from −2.0 to 4.0 cm.",
        ),
        (
            Difference(SPEED, reason="There is no sticking region."),
            "Speed at the sticking point: cannot be compared. There is no sticking region.",
        ),
    ],
)
def test_words(one, said):
    assert in_words(one, "tucked") == said


def test_headline_answers_what_differs_and_what_cannot_be_told():
    found = [
        Difference(GRIP, reason="It needs a front view."),
        Difference(TUCK, 19.0, 12.0),
        Difference(TOUCH, 0.067, 0.034),
        Difference(SPEED, 0.02, 0.05),
    ]
    head, detail = headline(found, "flared", "tucked")
    assert head == "tucked against flared: 19 ± 12° more tuck and touch point 6.7 ± 3.4 cm lower."
    assert detail == (
        "No difference can be told in speed at the sticking point. Not measured with both: grip."
    )
    assert "no difference that is larger" in headline(found[3:], "a", "b")[0]
    assert "nothing was measured" in headline(found[:1], "a", "b")[0]


# --- one scale ------------------------------------------------------------------------------------


def filmed(folder, name, zoom=1.0, **more):
    """A made set written as a result folder, with its clip beside it, at another scale."""
    result = make_result("side", n_reps=1, source_name=f"{name}.mp4", **more)
    for table in (result.track, result.pose):
        for column in table.columns:
            if column.endswith("_px"):
                table[column] = (table[column] + 0.5) * zoom - 0.5
    for column in ("major_px", "minor_px"):
        result.track[column] = result.track[column] + 0.5 - 0.5 * zoom
    result.calibration["px_per_m"] = PX_PER_M * zoom
    plain = make_result("side", n_reps=1)
    size = (round(960 * zoom), round(540 * zoom))
    with VideoWriter(folder / f"{name}.mp4", *size, 30.0) as writer:
        for row in range(len(plain.track)):
            image = make_image(plain, row)
            writer.write(cv2.resize(image, size), row / 30.0)
    info = probe(folder / f"{name}.mp4")
    result.track["time_s"] = info.times_s[: len(result.track)]
    result.info = dataclasses.replace(info, n_duplicate=0)
    return write_results(result, folder / name)


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    place = tmp_path_factory.mktemp("sets")
    return [filmed(place, "near"), filmed(place, "far", 0.5)]


def test_panels_have_one_scale_with_shoulder_on_shoulder(folders):
    entries = page.read_entries(folders)
    config = besidefilm.BesideConfig()
    panels, why = besidefilm.panels_of(page.film_sets(entries), config)
    assert why == ""
    width, height = besidefilm.panel_size(2, config)
    aim = np.array(config.shoulder_share) * (width, height)
    for entry, panel in zip(entries, panels, strict=True):
        across = panel.to_panel[0, 0]
        assert across * entry.result.calibration["px_per_m"] == pytest.approx(width / config.wide_m)
        touch = entry.result.reps["touch_s"][0]
        row = entry.result.pose.iloc[(entry.result.pose["time_s"] - touch).abs().argmin()]
        near = np.mean(
            [[row[f"{s}_shoulder_{a}_px"] for a in "xy"] for s in ("left", "right")], axis=0
        )
        assert panel.to_panel[:, :2] @ near + panel.to_panel[:, 2] == pytest.approx(aim, abs=1.0)


def test_clip_shows_both_plates_at_one_place_and_size_at_the_touch(folders, tmp_path):
    """The same made set filmed at two scales: its plates must meet in the clip."""
    entries = page.read_entries(folders)
    config = besidefilm.BesideConfig(film_px=640, fps=10.0)
    sets = page.film_sets(entries)
    panels, _ = besidefilm.panels_of(sets, config)
    bare = [dataclasses.replace(panel, states=None) for panel in panels]
    moments = besidefilm.film(sets, bare, tmp_path / "out.mp4", config)
    assert [m.word for m in moments] == ["touch", "lockout"]
    width, _ = besidefilm.panel_size(2, config)
    halves = moments[0].image[:, :width], moments[0].image[:, width:]
    red = [
        (h[..., 0].astype(int) - h[..., 1] > 60) & (h[..., 0].astype(int) - h[..., 2] > 60)
        for h in halves
    ]
    centres = [np.argwhere(mask).mean(axis=0) for mask in red]
    assert np.abs(centres[0] - centres[1]).max() < 3.0
    assert red[0].sum() == pytest.approx(red[1].sum(), rel=0.08)
    info = probe(tmp_path / "out.mp4")
    assert (info.width_px, info.n_frames) == (
        2 * width,
        len(besidefilm.schedule(clocks([e.reps for e in entries]), config)),
    )
    assert next(iter(stream(info))).image.shape[1] == 2 * width


def test_no_clip_is_said_with_the_reason(folders, tmp_path):
    config = besidefilm.BesideConfig()
    entries = page.read_entries(folders)
    first, second = page.film_sets(entries)
    front = dataclasses.replace(second, result=dataclasses.replace(second.result, view="front"))
    assert "different views" in besidefilm.panels_of([first, front], config)[1]
    gone = dataclasses.replace(second, folder=tmp_path / "elsewhere" / "set")
    assert "annotated" in besidefilm.panels_of([first, gone], config)[1]
    assert page.film_sets([entries[0], dataclasses.replace(entries[1], result=None)]) == []


def test_clips_may_lie_in_a_folder_of_their_own(folders, tmp_path):
    clips = tmp_path / "clips"
    clips.mkdir()
    sets = []
    for folder in folders:
        (clips / f"{folder.name}.mp4").write_bytes(
            (folder.parent / f"{folder.name}.mp4").read_bytes()
        )
        sets.append(tmp_path / "sets" / folder.name)
        shutil.copytree(folder, sets[-1])
    config = besidefilm.BesideConfig()
    assert besidefilm.panels_of(page.film_sets(page.read_entries(sets)), config)[0] == []
    entries = page.read_entries(sets, (), clips)
    panels, why = besidefilm.panels_of(page.film_sets(entries), config)
    assert why == ""
    assert [p.info.path.parent for p in panels] == [clips, clips]
    with pytest.raises(OptionError, match="clips"):
        page.read_entries(sets, (), tmp_path / "nowhere")


def test_the_annotated_clip_stands_in_for_a_clip_that_is_gone(folders, tmp_path):
    entries = page.read_entries(folders)
    kept = tmp_path / "deep" / "set"
    kept.mkdir(parents=True)
    (kept / "annotated.mp4").write_bytes((folders[1].parent / "far.mp4").read_bytes())
    first, second = page.film_sets(entries)
    panels, why = besidefilm.panels_of(
        [first, dataclasses.replace(second, folder=kept)], besidefilm.BesideConfig()
    )
    assert why == ""
    assert panels[0].states is not None
    assert panels[1].states is None


# --- the page and the command ---------------------------------------------------------------------


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(Picture, "svg", lambda self: b"<svg/>")


@pytest.mark.usefixtures("quick")
def test_page_begins_with_what_differs_and_is_safe(folders):
    entries = page.read_entries(folders, [EVIL, "far"])
    text = page.beside_html(entries, [], b"clip", "")
    document = Document(text)
    assert document.wrong == []
    assert not document.all("script")
    assert "\u202e" not in text
    heads = [attrs["id"] for tag, attrs in document.tags if tag == "h2"]
    assert heads[0] == "answer"
    assert text.index('class="headline"') < text.index("<video") < text.index('id="cautions"')
    for attrs in (*document.all("img"), *document.all("source")):
        assert attrs["src"].startswith("data:")
    assert "added in quadrature" in document.words
    assert (
        "No clip: it is gone." in Document(page.beside_html(entries, [], b"", "it is gone.")).words
    )


def test_the_difference_picture_says_what_is_clear():
    found = [Difference(TUCK, 19.0, 12.0), Difference(TOUCH, 0.01, 0.03), Difference(GRIP)]
    picture = page.differences_picture([("tucked", found)], "flared")
    assert "tucked, tuck: 19 ± 12° more tuck" in picture.alt
    assert "tucked, touch point: no difference can be told" in picture.alt
    assert "grip" not in picture.alt
    nothing = page.differences_picture([("_a$b$c", [Difference(GRIP)])] * 2, "x")
    assert "none was measured" in nothing.alt
    assert nothing.svg().startswith(b"<svg")


def test_paths_are_drawn_from_the_shoulders_where_touch_points_are_known():
    line = np.column_stack([np.linspace(0, 0.1, 50), np.linspace(0, 0.4, 50)])
    table = pd.DataFrame()

    def entry(name, touch):
        facts = Facts(("side",), touch_m=touch)
        return page.Entry(name, page.Path("x"), "side", table, table, facts, None, {"side": [line]})

    known = [entry("a", Known(0.10, 0.02)), entry("b", Known(0.18, 0.02))]
    picture = page.paths_picture(known, SIDE)
    assert "a from -10 to 0 cm; b from -18 to -8 cm" in picture.alt
    unknown = [known[0], entry("b", Known())]
    assert "from the touch" in page.paths_picture(unknown, SIDE).alt
    assert page.paths_picture(known[:1], SIDE) is None
    assert page.paths_picture(known, FRONT) is None


def test_names_are_told_apart(folders):
    names = [e.name for e in page.read_entries([folders[0], folders[0]])]
    assert names == ["near", "near (2)"]
    for wrong, names in ((folders[:1], ()), (folders * 3, ()), (folders, ["one"])):
        with pytest.raises(OptionError):
            page.read_entries(wrong, names)


def test_command_line(folders, tmp_path):
    out = tmp_path / "out"
    done = run("beside", *folders, "--names", "one,two", "--out", out, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert {p.name for p in out.iterdir()} == {
        "beside.html", "beside.mp4", "differences.csv", "pages.json"
    }  # fmt: skip
    table = pd.read_csv(out / "differences.csv")
    assert table["topic"].tolist() == [topic.name for topic in TOPICS]
    assert set(table["set"]) == {"two"}
    for words, code in (
        ((*folders, "--out", out), 6),
        ((folders[0], "--out", tmp_path / "new"), 2),
        ((*folders, "--names", "one", "--out", tmp_path / "new"), 2),
        ((folders[0], tmp_path / "none", "--out", tmp_path / "new"), 6),
    ):
        done = run("beside", *words, cwd=tmp_path)
        assert done.returncode == code, words
        assert done.stderr.startswith("barpath: ")
        assert done.stderr.count("\n") == 1
    assert not (tmp_path / "new").exists()
