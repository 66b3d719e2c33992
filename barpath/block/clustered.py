"""Slopes among observations that are alike within clusters, with an interval that allows for it.

The cluster-robust variance CR2 of Bell and McCaffrey (2002) with Satterthwaite's degrees of
freedom holds for few clusters, too. Pure functions of arrays.

References
----------
Bell & McCaffrey (2002), Survey Methodology 28:169-181. Pustejovsky & Tipton (2018), J. Bus. Econ.
Stat. 36:672-683. (From memory.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import sparse, stats

from barpath.ground.uncertainty import coverage_factor

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Slope:
    """Slopes with their cluster-robust uncertainty, one for each column of `y`.

    Attributes
    ----------
    value, sd : ndarray, shape (m,)
        Change of `y` for a change of `x` by 1, and its standard error.
    dof : float
        Satterthwaite's degrees of freedom; NaN when there is no estimate of the variance.
    n_clusters : int
        Clusters that bear on the slope.
    """

    value: Floats
    sd: Floats
    dof: float
    n_clusters: int

    def half_width(self, probability: float = 0.95) -> Floats:
        """Half width of the interval, shape (m,)."""
        if not self.dof > 0:
            return np.full(len(self.value), np.nan)
        return self.sd * coverage_factor(self.dof, probability)

    def p_value(self) -> Floats:
        """Two-sided, against no slope, shape (m,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return 2 * stats.t.sf(np.abs(self.value) / self.sd, self.dof)


def clustered_slope(y: ArrayLike, x: ArrayLike, stratum: ArrayLike, cluster: ArrayLike) -> Slope:
    """Slope of `y` on `x` within strata, with a variance that allows for alike observations.

    The model is ``y = a[stratum] + b x + e``, where errors of one cluster may depend on each other
    in any way. The variance of ``b`` is CR2 with the identity as working covariance, its degrees of
    freedom those of Bell and McCaffrey.

    Parameters
    ----------
    y : array_like, shape (n,) or (n, m)
        Without gaps.
    x : array_like, shape (n,)
        A number, or 0 and 1 for two setups.
    stratum, cluster : array_like of int, shape (n,)

    Returns
    -------
    Slope

    Examples
    --------
    Three sessions with both setups each give the paired t-test:

    >>> slope = clustered_slope([1, 2, 2, 4, 3, 4.5], [0, 1] * 3, [0, 0, 1, 1, 2, 2],
    ...                         [0, 0, 1, 1, 2, 2])
    >>> float(slope.value[0]), round(float(slope.sd[0]), 4), round(slope.dof, 6)
    (1.5, 0.2887, 2.0)
    """
    y = np.asarray(y, dtype=float)
    y = y[:, None] if y.ndim == 1 else y
    x = np.asarray(x, dtype=float)
    stratum = np.unique(np.asarray(stratum), return_inverse=True)[1]
    n_in = np.bincount(stratum).astype(float)
    xt = x - (np.bincount(stratum, x) / n_in)[stratum]
    member = sparse.csr_matrix((np.ones(len(x)), (stratum, np.arange(len(x)))))
    yt = y - (member @ y / n_in[:, None])[stratum]
    spread = float(xt @ xt)
    nothing = np.full(y.shape[1], np.nan)
    if not spread > 1e-12 * max(1.0, float(x @ x)):
        return Slope(nothing, nothing, np.nan, 0)
    value = xt @ yt / spread
    residual = yt - xt[:, None] * value
    clusters, cluster = np.unique(np.asarray(cluster), return_inverse=True)
    weight = _adjusted_weights(xt, spread, stratum, n_in, cluster) / spread
    group = sparse.csr_matrix((weight, (cluster, np.arange(len(x)))), (len(clusters), len(x)))
    variance = np.square(group @ residual).sum(axis=0)
    by_stratum = group @ member.T @ sparse.diags_array(1 / np.sqrt(n_in))
    along = group @ xt / math.sqrt(spread)
    below = sparse.hstack([by_stratum, sparse.csr_matrix(along[:, None])]).tocsr()
    own = np.bincount(cluster, weight**2, len(clusters))
    in_own = np.asarray(below.multiply(below).sum(axis=1)).ravel()
    cross = below.T @ below
    squares = (own**2).sum() - 2 * (own * in_own).sum() + cross.multiply(cross).sum()
    trace = (own - in_own).sum()
    bearing = int((np.bincount(cluster, xt**2, len(clusters)) > 1e-12 * spread).sum())
    good = trace > 1e-9 / spread and squares > 0
    return Slope(
        value,
        np.sqrt(variance) if good else nothing,
        float(trace**2 / squares) if good else np.nan,
        bearing,
    )


def _adjusted_weights(
    xt: Floats, spread: float, stratum: Ints, n_in: Floats, cluster: Ints
) -> Floats:
    """The regressor times each cluster's ``(I - H)^(-1/2)``, shape (n,)."""
    out = np.zeros(len(xt))
    order = np.argsort(cluster, kind="stable")
    sizes = np.bincount(cluster)
    starts = np.concatenate([[0], np.cumsum(sizes)[:-1]])
    for size in np.unique(sizes):
        rows = order[starts[sizes == size][:, None] + np.arange(size)]
        own = stratum[rows]
        same = own[:, :, None] == own[:, None, :]
        hat = same / n_in[own][:, :, None]
        hat = hat + xt[rows][:, :, None] * xt[rows][:, None, :] / spread
        values, vectors = np.linalg.eigh(np.eye(size) - hat)
        root = np.zeros_like(values)
        seen = values > 1e-9
        root[seen] = 1 / np.sqrt(values[seen])
        turned = np.einsum("gji,gj->gi", vectors, xt[rows])
        out[rows] = np.einsum("gij,gj->gi", vectors, root * turned)
    return out
