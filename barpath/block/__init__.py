"""Many sets: planned, run, resumed, kept in one table and compared.

In: a folder of clips (`plan`) or its kept table (`blockstore`, a row a repetition, units in the
names). Out: differences with honest intervals (`compare`), load and speed (`loadvelocity`), trends
and flags (`drift`). A `run` takes `jobs`, named by `keys`, through `workers` that do the `work` on
one clip each, or on a set that several clips show (`setrows`), and joins what the `cache` keeps
into `tables`. Repetitions are averaged by
`setmeans`, slopes and differences found by `clustered`, and said by `comparewords`.
"""

__all__ = [
    "blockstore",
    "cache",
    "clustered",
    "compare",
    "comparewords",
    "drift",
    "jobs",
    "keys",
    "loadvelocity",
    "plan",
    "run",
    "setmeans",
    "setrows",
    "tables",
    "work",
    "workers",
]
