"""The map of camera places, what film check says of it, and its picture."""

from dataclasses import replace

import cv2
import numpy as np
import pandas as pd
import pytest
from typer.testing import CliRunner

from barpath.analysis.config import AnalysisConfig
from barpath.analysis.filmadvice import GOOD, advise
from barpath.analysis.filmfacts import Fact
from barpath.analysis.filmplace import place_of, what_it_gives
from barpath.analysis.madeset import MadeSetConfig, made_set
from barpath.analysis.madeview import Place, detect
from barpath.analysis.pipeline import measure
from barpath.analysis.placemap import COLUMNS, known_at, read_map
from barpath.analysis.places import SHOWN, foretell
from barpath.analysis.readingspread import ReadingSpread
from barpath.cli.commands import app
from barpath.errors import BarNotFoundError, OutputError
from barpath.lift.catalogue import CATALOGUE
from barpath.report.placeplots import places_picture, write_map
from tests.test_filmcheck import SIDE

MAP = read_map()
EXACT = ReadingSpread(stays_share=0.0, own_share=0.0)


@pytest.mark.parametrize(
    "at", [(10.0, 1.7, 3.5), pytest.param((75.0, 1.1, 3.5), marks=pytest.mark.slow)]
)
def test_the_map_is_what_the_function_gives(at):
    """Within a tenth: another processor rounds otherwise, and a fit may stop a step apart."""
    table = foretell(Place(*at))
    rows = MAP[(MAP[["azimuth_deg", "height_m", "distance_m"]] == list(at)).all(axis=1)]
    kept = rows.set_index("measure").reindex(SHOWN)
    np.testing.assert_allclose(kept["u95"], table["u95"], rtol=0.1)
    assert (kept["reason"].to_numpy() == table["reason"].to_numpy()).all()


def test_the_map_is_whole():
    assert tuple(MAP.columns) == COLUMNS
    n_places = [MAP[axis].nunique() for axis in ("azimuth_deg", "height_m", "distance_m")]
    assert len(MAP) == np.prod(n_places) * len(SHOWN)
    assert (MAP["u95"].isna() == (MAP["reason"] != "")).all()
    assert set(MAP["measure"]) == set(SHOWN) <= set(CATALOGUE)


def test_the_map_is_read_between_its_places():
    rows = [
        (a, h, 3.0, name, (2 + a / 30 + h if name == SHOWN[0] else np.nan if a else 5.0), "")
        for a in (0.0, 30.0)
        for h in (1.0, 2.0)
        for name in SHOWN[:2]
    ]
    table = pd.DataFrame(rows, columns=COLUMNS)
    between = known_at(table, Place(15.0, 1.5, 3.0))
    assert between[SHOWN[0]] == pytest.approx(4.0)
    # Half of the places around give it, or fewer.
    assert between[SHOWN[1]] == pytest.approx(5.0)
    assert np.isnan(known_at(table, Place(16.0, 1.5, 3.0))[SHOWN[1]])
    assert known_at(table, Place(50.0, 9.0, 9.0))[SHOWN[0]] == pytest.approx(5.0)


def test_film_check_says_how_sure_measures_would_be():
    """A made map, so that the words can be foreseen."""
    rows = [
        (a, h, d, name, u95, "")
        for a, abduction, drift in ((0.0, 5.0, np.nan), (30.0, 7.0, 0.03), (60.0, 9.0, 0.01))
        for h in (0.5, 2.0)
        for d in (2.0, 4.0)
        for name, u95 in (("elbow_abduction_deg", abduction), ("drift_touch_to_lockout_m", drift))
    ]
    table = pd.DataFrame(rows, columns=COLUMNS)
    facts = replace(SIDE, azimuth_deg=Fact(30.0, 2.0))
    value, words = what_it_gives(facts, table)
    assert value == "elbow abduction ± 7°, horizontal way from touch to lockout ± 3.0 cm"
    assert "30° further toward the feet: elbow abduction ± 5°." in words
    assert "30° further to the side: horizontal way from touch to lockout ± 1.0 cm." in words
    at_feet = replace(facts, view="front", azimuth_deg=Fact(0.0, 2.0))
    assert "not known: horizontal way from touch to lockout" in what_it_gives(at_feet, table)[0]


def test_film_check_is_silent_where_it_cannot_tell():
    for unknown in (
        {"azimuth_deg": Fact(reason="no head")},
        {"azimuth_deg": Fact(40.0, 15.0)},
        {"azimuth_deg": Fact(130.0, 2.0)},
        {"azimuth_deg": Fact(40.0, 2.0), "height_m": Fact(reason="no lines")},
    ):
        facts = replace(SIDE, **unknown)
        assert place_of(facts) is None
        assert not advise(facts)["item"].str.contains("how sure").any()
    table = advise(replace(SIDE, azimuth_deg=Fact(90.0, 2.0)))
    row = table[table["item"].str.contains("how sure")].iloc[0]
    assert row["verdict"] == GOOD
    assert "range of motion ±" in row["value"]
    assert "not known: wrist outside the elbow" in row["value"]


def test_the_cameras_place_from_the_facts_of_a_clip():
    """The plate followed lies nearer than the bar's middle, and its distance is along the bar."""
    facts = replace(SIDE, azimuth_deg=Fact(90.0, 2.0))
    usual = MadeSetConfig()
    place = place_of(facts)
    assert place.distance_m == pytest.approx(3.0 + usual.plates_inside_m)
    assert place.height_m == pytest.approx(usual.half_way_m[1] + 0.05)


def test_the_picture_shows_every_measure_and_hatches_what_is_missing(tmp_path):
    picture = places_picture(MAP, here=Place(45.0, 1.2, 3.0))
    panels = [axes for axes in picture.figure.axes if axes.get_title(loc="left")]
    assert len(panels) == len(SHOWN)
    part = MAP[MAP["distance_m"] == 3.5]
    for axes, name in zip(panels, SHOWN, strict=True):
        hatched = [patch for patch in axes.patches if patch.get_hatch()]
        assert len(hatched) == part.loc[part["measure"] == name, "u95"].isna().sum()
        assert len(axes.texts) + len(hatched) == len(part) / len(SHOWN)
    assert "missing from" in picture.alt
    target = tmp_path / "map.png"
    write_map(target, None)
    assert cv2.imread(str(target)).shape[1] > 600
    with pytest.raises(OutputError, match="exists already"):
        write_map(target, None)


def test_the_command_offers_the_map():
    shown = CliRunner().invoke(app, ["film-check", "--help"])
    assert shown.exit_code == 0
    assert "--picture" in shown.output


@pytest.mark.parametrize("azimuth", [0.0, 22.0, 35.0, 60.0, 90.0])
def test_a_result_says_from_where_it_was_filmed(azimuth):
    """A made set seen from a place is said to have been filmed from there."""
    place = Place(azimuth, 1.2, 3.5)
    info, detected = detect(place, made_set(), spread=EXACT)
    result = measure(info, detected, AnalysisConfig(view=place.view, plate_given=True))
    told, sd = (result.calibration[f"azimuth_{x}"] for x in ("deg", "sd_deg"))
    assert abs(told - azimuth) < 2 * sd + 1
    near = result.calibration["near_arm"]
    if azimuth == 0.0:
        assert result.filmed == "from the feet"
    elif azimuth == 90.0:
        assert result.filmed == f"from the lifter's {near}, square to the bar"
    else:
        assert result.filmed.startswith(f"from the lifter's {near}, ")
        assert result.filmed.endswith("° toward the feet")


def test_without_the_heads_direction_the_place_is_not_told():
    info, detected = detect(Place(40.0, 1.2, 3.5), made_set(), spread=EXACT)
    assert detected.joints_px is not None
    blank = detected.joints_px.drop(columns=[c for c in detected.joints_px if c != "frame"])
    blind = replace(detected, joints_px=blank.iloc[:0])
    result = measure(info, blind, AnalysisConfig(view="oblique", plate_given=True))
    assert np.isnan(result.calibration["azimuth_deg"])
    assert result.filmed == "at a slant"


def test_a_plate_that_moves_otherwise_than_the_hands_is_refused():
    """It is up while they are down, as something else that was taken for it may be."""
    place = Place(60.0, 1.2, 3.5)
    info, detected = detect(place, made_set(), spread=EXACT)
    config = AnalysisConfig(view=place.view, plate_given=True)
    assert len(measure(info, detected, config).reps)
    poses = detected.poses.copy()
    for side in ("left", "right"):
        name = f"{side}_hand_y_px"
        poses[name] = np.roll(poses[name], len(poses) // 6)
    with pytest.raises(BarNotFoundError, match="as the lifter's hands do"):
        measure(info, replace(detected, joints_px=poses), config)


def test_a_plate_that_is_mostly_told_from_the_hands_is_refused():
    """Something else may have been taken for it, and then nothing that is told is the bar's."""
    place = Place(60.0, 1.2, 3.5)
    info, detected = detect(place, made_set(), spread=EXACT)
    track = detected.track.copy()
    lost = np.arange(len(track)) % 4 > 0
    names = ["x_px", "y_px", "major_px", "minor_px", "angle_deg", "sd_px"]
    track.loc[lost, names] = np.nan
    track.loc[lost, "state"] = "lost"
    config = AnalysisConfig(view=place.view, plate_given=True)
    with pytest.raises(BarNotFoundError, match="seen in only 25%"):
        measure(info, replace(detected, track=track), config)
