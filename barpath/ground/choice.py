"""Choosing among candidates so that the choice does not hang on a last digit.

Sums come out differently in their last digits, and sorts leave equal values in a different order,
on another processor. Whatever is chosen by a score is chosen here: scores within a margin of the
best count as equal, and of equal ones a stated rule decides that knows nothing of either.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

SAME = 1e-6
"""Scores that differ by less than this share of the best are the same score: far above what the
order of a sum changes, far below what a picture's noise does."""


def best_index(score: ArrayLike, margin: float = SAME) -> tuple[int, ...]:
    """Return the index of the highest score; of equal ones the one nearest to their middle.

    Parameters
    ----------
    score
        Scores of any shape; NaN is never chosen unless there is nothing else.
    margin
        Share of the best score's size within which scores are equal.

    Returns
    -------
    tuple of int
        One number per axis. Of those equally near to the middle of the equal ones the first.

    Examples
    --------
    >>> best_index([0.0, 2.0, 2.0 + 1e-12, 2.0, 1.0])
    (2,)
    >>> best_index([[0.0, 3.0], [3.0, 1.0]])
    (0, 1)
    """
    values = np.asarray(score, dtype=float)
    if values.size == 0:
        raise ValueError("nothing to choose from")
    values = np.where(np.isnan(values), -np.inf, values)
    most = values.max()
    if not np.isfinite(most):
        return tuple(int(i) for i in np.argwhere(values == most)[0])
    equal = np.argwhere(values >= most - margin * abs(most))
    away = ((equal - equal.mean(axis=0)) ** 2).sum(axis=1)
    # Distances between whole numbers and their mean: what is equal differs by rounding alone.
    nearest = equal[np.flatnonzero(away <= away.min() + 1e-9)[0]]
    return tuple(int(i) for i in nearest)


def ranked(score: ArrayLike, margin: float = SAME) -> list[int]:
    """Return the numbers of the candidates, best first; equal ones stay in the order given.

    Scores are taken in turn from the highest down; each that lies within the margin of the first of
    its group belongs to that group.

    Parameters
    ----------
    score
        Shape (n,). NaN comes last.
    margin
        Share of the group's highest score within which scores are equal.

    Examples
    --------
    >>> ranked([1.0, 3.0, 3.0 + 1e-12, 2.0])
    [1, 2, 3, 0]
    """
    values = np.asarray(score, dtype=float)
    values = np.where(np.isnan(values), -np.inf, values)
    order = np.argsort(-values, kind="stable")
    groups: list[list[int]] = []
    for i in order:
        first = values[groups[-1][0]] if groups else np.nan
        if values[i] == first or first - values[i] <= margin * abs(first):
            groups[-1].append(int(i))
        else:
            groups.append([int(i)])
    return [i for group in groups for i in sorted(group)]


def first_clearly_best(score: Sequence[float], margin: float) -> int:
    """Return the number of the best candidate, an earlier one unless a later is clearly better.

    Parameters
    ----------
    score
        Scores in the order in which candidates are believed when scores do not tell them apart.
    margin
        Share by which a later candidate must be better than the one it replaces.

    Examples
    --------
    >>> first_clearly_best([1.0, 1.05, 1.2], 0.1)
    2
    >>> first_clearly_best([1.0, 1.05], 0.1)
    0
    """
    best = 0
    for number, value in enumerate(score):
        if value > score[best] + margin * abs(score[best]):
            best = number
    return best


def evenly_spread(n: int) -> list[int]:
    """Return ``0 … n - 1`` so ordered that the first few lie evenly among all.

    The order of van der Corput's sequence in base 2 (Niederreiter, Random Number Generation and
    Quasi-Monte Carlo Methods, 1992, section 3.1): what random draws would give on average, with
    nothing drawn.

    Examples
    --------
    >>> evenly_spread(8)
    [0, 4, 2, 6, 1, 5, 3, 7]
    """
    bits = max(1, int(n - 1).bit_length())
    return [
        number for number in (int(f"{k:0{bits}b}"[::-1], 2) for k in range(1 << bits)) if number < n
    ]
