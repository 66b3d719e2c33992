"""Comparison of setups, checked against scipy, statsmodels, dense algebra and simulation."""

import math
import time

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf
from scipy import linalg, stats
from statsmodels.stats.meta_analysis import effectsize_smd
from statsmodels.stats.multitest import multipletests

from barpath.block import blockstore, clustered, compare, comparewords
from barpath.errors import OptionError
from barpath.lift.catalogue import CATALOGUE
from barpath.trial.madeblock import EFFECTS, BlockDesign, Effect, make_block

SPEED = "mean_press_speed_m_s"
DRIFT = "drift_touch_to_lockout_m"


def only(**changes) -> dict[str, Effect]:
    """One made measure of a unit of its own."""
    return {SPEED: Effect(**({"base": 1.0, "u95": 0.01} | changes))}


def row_of(result: pd.DataFrame, measure=SPEED, lifter="Ada") -> pd.Series:
    found = result[(result["measure"] == measure) & (result["lifter"] == lifter)]
    assert len(found) == 1
    return found.iloc[0]


def dense(y, x, stratum, cluster):
    """CR2 and its degrees of freedom with whole matrices, as the papers write them."""
    design = np.column_stack([x, pd.get_dummies(stratum).to_numpy(float)])
    bread = np.linalg.inv(design.T @ design)
    beta = bread @ design.T @ y
    rest = y - design @ beta
    maker = np.eye(len(y)) - design @ bread @ design.T
    variance, vectors = 0.0, []
    for c in np.unique(cluster):
        own = np.flatnonzero(cluster == c)
        block = maker[np.ix_(own, own)]
        u, s, _ = linalg.svd(block)
        root = u @ np.diag([1 / math.sqrt(v) if v > 1e-9 else 0.0 for v in s]) @ u.T
        weight = bread[0] @ design[own].T @ root
        variance += float(weight @ rest[own]) ** 2
        vectors.append(maker[:, own] @ weight)
    gram = np.array(vectors) @ np.array(vectors).T
    return beta[0], math.sqrt(variance), np.trace(gram) ** 2 / np.square(gram).sum()


@pytest.mark.parametrize("nested", [True, False])
@pytest.mark.parametrize("kind", ["setup", "number"])
def test_slope_is_the_one_of_whole_matrices(nested, kind):
    rng = np.random.default_rng(3)
    n = 60
    cluster = rng.integers(0, 8, n)
    stratum = 3 * cluster + rng.integers(0, 3, n) if nested else rng.integers(0, 5, n)
    x = rng.integers(0, 2, n).astype(float) if kind == "setup" else rng.normal(size=n)
    y = 2 * x + rng.normal(size=8)[cluster] + rng.normal(size=n)
    slope = clustered.clustered_slope(y, x, stratum, cluster)
    value, sd, dof = dense(y, x, stratum, cluster)
    np.testing.assert_allclose([slope.value[0], slope.sd[0], slope.dof], [value, sd, dof])


def test_paired_design_is_the_paired_t_test():
    rng = np.random.default_rng(4)
    a, b = rng.normal(1, 0.2, 9), rng.normal(1.3, 0.2, 9)
    session = np.tile(np.arange(9), 2)
    slope = clustered.clustered_slope(np.r_[a, b], np.repeat([0, 1], 9), session, session)
    known = stats.ttest_rel(b, a)
    low, high = known.confidence_interval(0.95)
    assert slope.value[0] - slope.half_width()[0] == pytest.approx(low)
    assert slope.value[0] + slope.half_width()[0] == pytest.approx(high)
    assert slope.p_value()[0] == pytest.approx(known.pvalue)


def test_single_observations_are_hc2_and_welch():
    rng = np.random.default_rng(5)
    a, b = rng.normal(1, 0.2, 7), rng.normal(1.3, 0.6, 12)
    y, x = np.r_[a, b], np.repeat([0.0, 1.0], [7, 12])
    slope = clustered.clustered_slope(y, x, np.zeros(19), np.arange(19))
    fit = sm.OLS(y, sm.add_constant(x)).fit(cov_type="HC2")
    assert slope.value[0] == pytest.approx(fit.params[1])
    assert slope.sd[0] == pytest.approx(fit.bse[1])
    welch = stats.ttest_ind(b, a, equal_var=False)
    assert slope.value[0] / slope.sd[0] == pytest.approx(welch.statistic)
    turns = x[:14] * 0 + np.arange(14) % 2
    even = clustered.clustered_slope(y[:14], turns, np.zeros(14), range(14))
    assert even.dof == pytest.approx(12)


def test_many_clusters_agree_with_the_usual_robust_variance():
    rng = np.random.default_rng(6)
    cluster = np.repeat(np.arange(300), 4)
    x = rng.normal(size=1200) + rng.normal(size=300)[cluster]
    y = x + rng.normal(size=300)[cluster] + rng.normal(size=1200)
    slope = clustered.clustered_slope(y, x, np.zeros(1200), cluster)
    fit = sm.OLS(y, sm.add_constant(x)).fit(cov_type="cluster", cov_kwds={"groups": cluster})
    assert slope.value[0] == pytest.approx(fit.params[1])
    assert slope.sd[0] == pytest.approx(fit.bse[1], rel=0.01)


def test_no_contrast_gives_no_number():
    slope = clustered.clustered_slope([1.0, 2.0, 3.0], [1, 1, 1], [0, 0, 0], [0, 1, 2])
    assert np.isnan(slope.value[0])
    assert np.isnan(slope.half_width()[0])


def test_balanced_block_agrees_with_a_mixed_model():
    design = BlockDesign(
        n_sessions=12,
        missing_share=0.0,
        cameras=("side",),
        effects=only(setup=0.05, sd_session=0.05, sd_set=0.03, sd_rep=0.02, per_10_kg=-0.1),
    )
    table = make_block(design, seed=8)
    row = row_of(compare.compare(table))
    table["setup"] = (table["technique"] == "tucked").astype(float)
    fit = smf.mixedlm(
        f"{SPEED} ~ setup + C(load_kg)",
        table,
        groups="session",
        re_formula="~setup",
        vc_formula={"set": "0 + C(set_id)"},
    ).fit(reml=True, method="lbfgs")
    assert row["difference"] == pytest.approx(fit.params["setup"], abs=1e-6)
    width = (row["high"] - row["low"]) / 2 / stats.t.ppf(0.975, row["dof"])
    assert width == pytest.approx(fit.bse["setup"], rel=0.15)
    assert row["level"] == "sessions"
    assert row["design"] == "same loads, same session"


def simulated_coverage(layout: pd.DataFrame, n: int, rng: np.random.Generator) -> float:
    """Coverage over `n` draws at once: the columns of y are blocks of their own."""
    is_b = (layout["level"] == "b").to_numpy()
    design = compare._design(layout, is_b)
    layout, is_b = layout.iloc[design.rows], is_b[design.rows]

    def effects(keys, sd):
        code = layout.groupby(keys, dropna=False).ngroup().to_numpy()
        return rng.normal(0, sd, (code.max() + 1, n))[code]

    noise = effects(["session"], 1.0) + effects(["session", "level"], 0.3)
    of_set = np.sqrt(0.25 + 0.5 / layout["reps"].to_numpy())
    noise += rng.normal(0, 1, (len(layout), n)) * of_set[:, None]
    y = noise + 2.0 * is_b[:, None] - layout["load_kg"].to_numpy()[:, None] / 10
    slope = clustered.clustered_slope(y, is_b, design.stratum, design.cluster)
    assert design.level == "sessions"
    return float((np.abs(slope.value - 2.0) <= slope.half_width()).mean())


def layout_of(sessions: list[tuple[str, list[tuple[str, float]]]], reps=4) -> pd.DataFrame:
    rows = [
        {"lifter": "Ada", "session": day, "level": level, "load_kg": load}
        for day, sets in sessions
        for level, load in sets
    ]
    table = pd.DataFrame(rows)
    return table.assign(
        set_id=np.arange(len(table)).astype(str),
        reps=reps if np.isscalar(reps) else np.resize(reps, len(table)),
    )


LAYOUTS = {
    "both in each of 5 sessions": layout_of(
        [(f"d{k}", [(s, w) for s in "ab" for w in (60.0, 80.0, 100.0)]) for k in range(5)]
    ),
    "uneven sets and repetitions": layout_of(
        [
            (
                f"d{k}",
                [("a", 60.0), ("b", 60.0), ("a", 80.0), ("b", 80.0), ("a", 80.0)][: 2 + k % 4],
            )
            for k in range(9)
        ],
        reps=[1, 3, 8, 5],
    ),
    "one setup a session, 5 against 5": layout_of(
        [(f"d{k}", [("ab"[k % 2], w) for w in (60.0, 80.0)]) for k in range(10)]
    ),
    "one setup a session, 3 against 6": layout_of(
        [(f"d{k}", [("a" if k < 3 else "b", w) for w in (60.0, 80.0, 90.0)]) for k in range(9)]
    ),
}


@pytest.mark.parametrize("name", LAYOUTS)
def test_intervals_cover_as_often_as_they_say(name):
    # 93 to 97 %: with 4000 draws the standard error of the share is 0.35 points.
    share = simulated_coverage(LAYOUTS[name], 4000, np.random.default_rng(11))
    assert 0.93 <= share <= 0.97


def test_repetitions_taken_as_independent_would_not_cover():
    """What respecting sets and sessions is for."""
    rng = np.random.default_rng(12)
    layout = LAYOUTS["one setup a session, 5 against 5"]
    session = layout.groupby("session").ngroup().to_numpy()
    y = rng.normal(0, 1, (10, 2000))[session] + rng.normal(0, 0.5, (len(layout), 2000))
    reps = np.repeat(y, 4, axis=0) + rng.normal(0, 0.7, (4 * len(layout), 2000))
    is_b = np.repeat((layout["level"] == "b").to_numpy(), 4)
    low, high = stats.ttest_ind(reps[is_b], reps[~is_b]).confidence_interval()
    assert ((low <= 0) & (high >= 0)).mean() < 0.7


def test_paired_by_load_so_that_load_does_not_pass_for_setup():
    """One setup trained heavier: a plain mean would call it slower."""
    design = BlockDesign(
        n_sessions=6, cameras=("side",), missing_share=0.0, effects=only(setup=0.05, per_10_kg=-0.1)
    )
    table = make_block(design)
    heavy_tucked = (table["technique"] == "tucked") & (table["load_kg"] == 60)
    light_flared = (table["technique"] == "flared") & (table["load_kg"] == 100)
    table = table[~heavy_tucked & ~light_flared]
    means = table.groupby("technique")[SPEED].mean()
    assert means["tucked"] < means["flared"]
    assert row_of(compare.compare(table))["difference"] == pytest.approx(0.05)


def test_loads_that_do_not_match_are_said():
    table = make_block(BlockDesign(cameras=("side",), effects=only(sd_set=0.01)))
    keep = (table["technique"] == "tucked") == (table["load_kg"] == 100)
    row = row_of(compare.compare(table[keep]))
    assert row["design"] == "different loads"
    assert "loads differ" in comparewords.in_words(row)


def test_hedges_g_is_the_known_one():
    design = BlockDesign(
        loads_kg=(80.0,), cameras=("side",), missing_share=0.0, effects=only(setup=0.1, sd_rep=0.1)
    )
    table = make_block(design)
    b, a = (table.loc[table["technique"] == t, SPEED] for t in ("tucked", "flared"))
    known, _ = effectsize_smd(b.mean(), b.std(), len(b), a.mean(), a.std(), len(a))
    # statsmodels takes 4 N - 9 for the correction, Hedges' 4 dof - 1 with dof = N - 2: the same.
    assert row_of(compare.compare(table))["hedges_g"] == pytest.approx(known)


def test_error_of_measurement_is_that_of_an_analysis_of_variance():
    """Weir (2005): SEM is the root of the mean square error, MD is SEM x 1.96 x sqrt 2."""
    effects = only(setup=0.1, sd_session=0.02, sd_set=0.05, sd_rep=0.03)
    table = make_block(BlockDesign(cameras=("side",), missing_share=0.0, effects=effects))
    sets = table.groupby(["set_id", "technique", "load_kg"])[SPEED].mean().reset_index(name="y")
    fit = smf.ols("y ~ C(technique) * C(load_kg)", sets).fit()
    row = row_of(compare.compare(table))
    assert row["sem"] == pytest.approx(math.sqrt(fit.mse_resid))
    assert row["sdc"] == pytest.approx(math.sqrt(fit.mse_resid) * 1.96 * math.sqrt(2), rel=1e-4)


def test_adjusted_p_values():
    result = compare.compare(make_block())
    part = result[np.isfinite(result["p"])]
    known = multipletests(part["p"], method="fdr_bh")[1]
    np.testing.assert_allclose(part["q"], known)


def test_truth_of_a_made_block_is_found():
    result = compare.compare(make_block(BlockDesign(lifters=("Ada", "Bo")), seed=2))
    told = result[result["verdict"] != "missing"]
    assert set(told["lifter"]) == {"Ada", "Bo", compare.ALL_LIFTERS}
    for _, row in told.iterrows():
        name = row["measure"] + (f"_{row['side']}" if row["side"] else "")
        slack = (row["high"] - row["low"]) / 2
        assert abs(row["difference"] - EFFECTS[name].setup) < 2 * slack
        assert row["mean_b"] - row["mean_a"] == pytest.approx(row["difference"])
    assert row_of(result, DRIFT)["verdict"] == "clear"
    assert row_of(result, "pause_s")["verdict"] in ("none seen", "open")
    # The tool's own uncertainty of joints is larger than this difference, however steady it is.
    assert row_of(result, "touch_point_to_shoulder_m")["verdict"] == "open"


def test_two_cameras_do_not_count_twice():
    table = make_block(BlockDesign(missing_share=0.0))
    row = row_of(compare.compare(table))
    assert row["n_sets_a"] == 18
    assert row["n_reps_a"] == 18 * 4
    single = compare.compare(table[table["view"] == "side"])
    assert row["difference"] == pytest.approx(row_of(single)["difference"])


def test_missing_is_said_and_counted():
    table = make_block(BlockDesign(missing_share=0.0, cameras=("side",)))
    flared = table["technique"] == "flared"
    table.loc[flared, DRIFT] = np.nan
    half = flared & (table["rep"] > 2)
    table.loc[half, "pause_s"] = np.nan
    result = compare.compare(table)
    gone = row_of(result, DRIFT)
    assert (gone["verdict"], gone["n_reps_a"], gone["missing_a"]) == ("missing", 0, 1.0)
    assert "flared" in gone["reason"]
    assert "cannot be compared" in comparewords.in_words(gone)
    part = row_of(result, "pause_s")
    assert part["missing_a"] == pytest.approx(0.5)
    assert "missing much more often" in comparewords.in_words(part)


def test_partial_failed_and_cut_repetitions_do_not_count():
    table = make_block(BlockDesign(missing_share=0.0, cameras=("side",)))
    before = row_of(compare.compare(table))
    extra = table[table["rep"] == 1].assign(rep=9, **{SPEED: 5.0})
    kinds = [extra.assign(kind="failed"), extra.assign(kind="partial"), extra.assign(cut="press")]
    after = row_of(compare.compare(pd.concat([table, *kinds], ignore_index=True)))
    pd.testing.assert_series_equal(before, after)


def test_a_single_session_speaks_for_itself_only():
    table = make_block(BlockDesign(n_sessions=1, missing_share=0.0, cameras=("side",)))
    row = row_of(compare.compare(table))
    assert (row["level"], row["n_sessions"]) == ("sets", 1)
    pairs = table.groupby(["load_kg", "technique"])[SPEED].mean().unstack()
    low, high = stats.ttest_rel(pairs["tucked"], pairs["flared"]).confidence_interval()
    assert (row["low"], row["high"]) == (pytest.approx(low), pytest.approx(high))


def test_one_set_of_each_includes_what_its_repetitions_share():
    design = BlockDesign(n_sessions=1, loads_kg=(80.0,), missing_share=0.0, cameras=("side",))
    table = make_block(design)
    row = row_of(compare.compare(table))
    assert row["level"] == "reps"
    assert np.isnan(row["p"])
    b, a = (table.loc[table["technique"] == t, SPEED] for t in ("tucked", "flared"))
    low, high = stats.ttest_ind(b, a).confidence_interval()
    shared = EFFECTS[SPEED].common_u95 * math.sqrt(2 * (1 - compare.TOOL_ALIKE))
    width = math.hypot((high - low) / 2, shared)
    assert (row["high"] - row["low"]) / 2 == pytest.approx(width, rel=1e-3)


def test_one_set_of_each_includes_all_that_the_tool_may_be_off_by_in_joints():
    """Joints err by posture, so the mean of a set's repetitions is no surer than one of them."""
    name = "touch_point_to_shoulder_m"
    design = BlockDesign(n_sessions=1, loads_kg=(80.0,), missing_share=0.0, cameras=("side",))
    table = make_block(design)
    row = row_of(compare.compare(table), name)
    assert row["level"] == "reps"
    b, a = (table.loc[table["technique"] == t, name] for t in ("tucked", "flared"))
    low, high = stats.ttest_ind(b, a).confidence_interval()
    left = 2 * (1 - compare.TOOL_ALIKE)
    width = math.hypot((high - low) / 2, EFFECTS[name].u95 * math.sqrt(left))
    assert (row["high"] - row["low"]) / 2 == pytest.approx(width, rel=1e-3)
    assert EFFECTS[name].common_u95 < EFFECTS[name].u95


def test_one_repetition_of_each_is_as_sure_as_the_tool():
    """Two values with their own uncertainties; a difference has the root of their squares.

    Less what cancels between two sets that were filmed from alike.
    """
    design = BlockDesign(n_sessions=1, loads_kg=(80.0,), missing_share=0.0, cameras=("side",))
    table = make_block(design)
    table = table[table["rep"] == 1]
    for name in (SPEED, "touch_point_to_shoulder_m"):
        row = row_of(compare.compare(table), name)
        assert row["level"] == "one"
        assert np.isnan(row["p"])
        whole = (table[f"{name}_u95"] ** 2).sum()
        common = "u95" if CATALOGUE[name].needs_joints else "common_u95"
        alike = compare.TOOL_ALIKE * (table[f"{name}_{common}"] ** 2).sum()
        width = math.sqrt(whole - alike)
        assert (row["high"] - row["low"]) / 2 == pytest.approx(width, rel=1e-3)
        # Filmed from elsewhere one way, nothing is taken to cancel.
        moved = table.assign(view=np.where(table["technique"] == "tucked", "oblique", "side"))
        other = row_of(compare.compare(moved), name)
        assert (other["high"] - other["low"]) / 2 == pytest.approx(math.sqrt(whole), rel=1e-3)
        low, high = (table.loc[table["technique"] == t, name].item() for t in ("flared", "tucked"))
        assert row["difference"] == pytest.approx(high - low)


def test_many_sessions_do_not_average_away_what_the_tool_may_be_off_by():
    """The network errs by posture alike in every session of it."""
    name = "touch_point_to_shoulder_m"
    widths = []
    for n_sessions in (4, 40):
        design = BlockDesign(n_sessions=n_sessions, missing_share=0.0, cameras=("side",))
        row = row_of(compare.compare(make_block(design)), name)
        widths.append((row["high"] - row["low"]) / 2)
        assert row["tool_u95"] == pytest.approx(EFFECTS[name].u95 * math.sqrt(2), rel=1e-3)
        assert widths[-1] > compare.TOOL_STAYS * row["tool_u95"]
    assert widths[1] < widths[0]


def test_before_and_after():
    table = make_block(BlockDesign(cameras=("side",), missing_share=0.0))
    dates = sorted(table["date"].unique())
    table.loc[table["date"] >= dates[3], SPEED] += 0.2
    result = compare.compare(compare.add_period(table, dates[3]), "period", ("before", "after"))
    row = row_of(result)
    assert (row["level_a"], row["level_b"]) == ("before", "after")
    assert row["low"] < 0.2 < row["high"]
    assert row["verdict"] == "clear"


@pytest.mark.parametrize(
    ("by", "levels"),
    [("nothing", ()), ("load_kg", ()), ("technique", ("wide",)), ("view", ("side",))],
)
def test_what_cannot_be_compared_is_refused(by, levels):
    with pytest.raises(OptionError):
        compare.compare(make_block(), by, levels)


def test_words_for_every_verdict():
    base = row_of(compare.compare(make_block()), DRIFT)
    words = {}
    for verdict in ("clear", "on average", "none seen", "open"):
        words[verdict] = comparewords.in_words(pd.Series({**base, "verdict": verdict}))
        assert words[verdict].endswith(".")
        assert "Horizontal way" in words[verdict]
    assert len(set(words.values())) == 4
    # Sets that agree to the last digit leave an interval of the arithmetic alone.
    alike = {"difference": 0.1083392162774468, "low": 0.1083392162774461, "unit": "m/s"}
    said = comparewords.in_words(pd.Series({**base, **alike, "high": 0.1083392162774475}))
    assert "0.108 m/s" in said
    assert "0.0000000" not in said
    large = {"difference": 1.0, "low": -123.4, "high": 125.4, "unit": "N", "sdc": 1234.0}
    for verdict in ("open", "none seen"):
        assert "e+" not in comparewords.in_words(pd.Series({**base, **large, "verdict": verdict}))
    doubtful = comparewords.in_words(pd.Series({**base, "q": 0.2, "poor_share": 0.9}))
    assert "chance" in doubtful
    assert "hint" in doubtful


def test_time_to_compare_grows_no_faster_than_the_repetitions():
    """A ratio of one run: ten times the repetitions, and room for a busy machine."""
    used = []
    for n_lifters in (2, 20):
        design = BlockDesign(
            lifters=tuple(f"lifter {k}" for k in range(n_lifters)),
            n_sessions=25,
            loads_kg=(50.0, 60.0, 70.0, 80.0, 90.0),
            n_reps=10,
        )
        table = make_block(design)
        begun = time.process_time()
        result = compare.compare(table)
        used.append(time.process_time() - begun)
        assert len(result) == (n_lifters + 1) * len(blockstore.measures_in(table))
    assert len(table) == 100_000
    print(f"10,000 repetitions: {used[0]:.2f} s of processor; 100,000: {used[1]:.2f} s")
    assert used[1] < 30.0 * used[0]
