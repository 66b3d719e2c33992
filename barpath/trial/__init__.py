"""Made data with exactly known truth, and benchmarks as ratios in one run.

Nothing that measures imports it. `artificial` makes pictures, `madeblock` a block; `benchmark`,
`steadiness` and `cost` measure the tool; `stock` is the general network that it is compared with.
`placegrid` computes the map of camera places.
"""

__all__ = ["artificial", "benchmark", "cost", "madeblock", "placegrid", "steadiness", "stock"]
