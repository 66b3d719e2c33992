"""Many sets: planned, run, resumed, kept in one table and compared.

In: a folder of clips (`block`) or its kept table (`blockstore`, a row a repetition, units in the
names). Out: differences with honest intervals (`compare`), load and speed (`loadvelocity`), trends
and flags (`drift`).
"""

__all__ = ["block", "blockstore", "compare", "drift", "loadvelocity"]
