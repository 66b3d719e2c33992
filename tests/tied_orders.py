"""Other orders in which sorts may leave equal values, and other last digits of a sum.

numpy's default sort is not stable: which of several equal values comes first depends on the code
that the processor runs (AVX-512 or not). The same holds for the last digits of sums and products.
These context managers put other choices in their place, so that one machine shows what others do.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pandas.core.frame
import pandas.core.series
import pytest

ARGSORT, ARGMAX, ARGMIN = np.argsort, np.argmax, np.argmin
NARGSORT = pandas.core.series.nargsort

Order = Callable[[np.ndarray], np.ndarray]


def stable(values: np.ndarray) -> np.ndarray:
    return ARGSORT(values, axis=-1, kind="stable")


def random_ties(seed: int) -> Order:
    rng = np.random.default_rng(seed)

    def order(values: np.ndarray) -> np.ndarray:
        return np.lexsort((rng.random(values.shape), values), axis=-1)

    return order


@contextlib.contextmanager
def ties_ordered(order: Order) -> Iterator[None]:
    """Sort with `order` wherever numpy or pandas was asked for no order of equal values."""

    def argsort(values: Any, axis: int = -1, kind: str | None = None, **_: Any) -> np.ndarray:
        values = np.asarray(values)
        if kind in ("stable", "mergesort"):
            return ARGSORT(values, axis=axis, kind=kind)
        return np.moveaxis(order(np.moveaxis(values, axis, -1)), -1, axis)

    def argpartition(values: Any, kth: Any, axis: int = -1, **_: Any) -> np.ndarray:
        return argsort(values, axis)

    def nargsort(items: Any, kind: str = "quicksort", *rest: Any, **options: Any) -> np.ndarray:
        if kind in ("stable", "mergesort"):
            return NARGSORT(items, kind, *rest, **options)
        before = order(np.zeros(len(items)))
        # A stable sort of the values in another order leaves equal ones in that order.
        return before[NARGSORT(items[before], "stable", *rest, **options)]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(np, "argsort", argsort)
        patch.setattr(np, "argpartition", argpartition)
        patch.setattr(pandas.core.frame, "nargsort", nargsort)
        patch.setattr(pandas.core.series, "nargsort", nargsort)
        yield


@contextlib.contextmanager
def last_digits_changed(seed: int, relative: float = 1e-9) -> Iterator[None]:
    """Let `argmax`, `argmin` and `argsort` of numpy see values that differ by `relative`."""
    rng = np.random.default_rng(seed)

    def nudged(values: Any) -> np.ndarray:
        values = np.asarray(values)
        if not np.issubdtype(values.dtype, np.floating):
            return values
        return values.astype(float) * (1.0 + relative * rng.uniform(-1.0, 1.0, values.shape))

    def changed(choose: Callable[..., Any]) -> Callable[..., Any]:
        return lambda values, *rest, **options: choose(nudged(values), *rest, **options)

    with pytest.MonkeyPatch.context() as patch:
        for name, choose in (("argsort", ARGSORT), ("argmax", ARGMAX), ("argmin", ARGMIN)):
            patch.setattr(np, name, changed(choose))
        yield


ORDERS = {
    "every sort stable": lambda: ties_ordered(stable),
    **{f"ties at random {k}": lambda k=k: ties_ordered(random_ties(k)) for k in range(2)},
    "last digits": lambda: last_digits_changed(0),
}
