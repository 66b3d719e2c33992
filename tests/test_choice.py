"""Choices among candidates hang on neither the last digit nor the order of equal ones."""

from __future__ import annotations

import numpy as np
import pytest

from barpath.ground.choice import best_index, evenly_spread, first_clearly_best, ranked

from .tied_orders import ORDERS, last_digits_changed, random_ties, stable, ties_ordered


@pytest.mark.parametrize("seed", range(5))
def test_last_digits_change_no_choice(seed: int) -> None:
    rng = np.random.default_rng(seed)
    score = rng.integers(0, 6, (9, 14)).astype(float)
    nudged = score * (1.0 + 1e-9 * rng.uniform(-1, 1, score.shape))
    assert best_index(nudged) == best_index(score)
    assert ranked(nudged.ravel()) == ranked(score.ravel())
    assert score[best_index(score)] == score.max()


def test_of_a_plateau_the_middle_is_taken() -> None:
    """Where a maximum is flat its first place would be off by half its width."""
    score = np.zeros((11, 7))
    score[3:8, 2:5] = 1.0
    assert best_index(score) == (5, 3)


def test_what_is_better_wins_over_what_is_equal() -> None:
    assert best_index([5.0, 5.0, 5.0 * (1 + 1e-4)]) == (2,)
    assert best_index([np.nan, 1.0]) == (1,)
    assert best_index([-np.inf, -np.inf]) == (0,)
    with pytest.raises(ValueError, match="nothing"):
        best_index([])
    assert ranked([np.nan, 1.0, 2.0]) == [2, 1, 0]
    assert ranked([]) == []


def test_a_later_candidate_must_be_clearly_better() -> None:
    assert first_clearly_best([1.0, 1.09, 1.08], 0.1) == 0
    assert first_clearly_best([1.0, 1.11, 1.19], 0.1) == 1
    assert first_clearly_best([0.0, 0.0, 1e-9], 0.1) == 2


@pytest.mark.parametrize("n", [1, 2, 3, 7, 36, 100])
def test_the_first_few_lie_evenly_among_all(n: int) -> None:
    order = evenly_spread(n)
    assert sorted(order) == list(range(n))
    for few in range(2, n):
        assert np.diff(np.r_[np.sort(order[:few]), n]).max() <= 3.0 * n / few


def test_no_elements_are_spread_over_nothing() -> None:
    assert evenly_spread(0) == []


def test_the_orders_stood_in_for_do_what_they_say() -> None:
    """Else the tests that use them would prove nothing."""
    import pandas as pd

    values = np.array([2, 1, 1, 2, 1, 0, 1])
    table = pd.DataFrame({"a": values})
    orders = set()
    for k in range(8):
        with ties_ordered(random_ties(k)):
            order, of_table = np.argsort(values), table.sort_values("a").index.to_numpy()
        assert (np.diff(values[order]) >= 0).all()
        assert (np.diff(values[of_table]) >= 0).all()
        orders |= {tuple(order), tuple(of_table)}
        with ties_ordered(random_ties(k)):
            assert np.argsort(values, kind="stable").tolist() == [5, 1, 2, 4, 6, 0, 3]
    assert len(orders) > 8
    with ties_ordered(stable):
        assert np.argsort(values).tolist() == [5, 1, 2, 4, 6, 0, 3]
    chosen = set()
    for k in range(8):
        with last_digits_changed(k):
            chosen.add(int(np.argmax(np.ones(5))))
    assert len(chosen) > 2
    assert np.argmax(np.ones(5)) == 0
    assert len(ORDERS) == 4
