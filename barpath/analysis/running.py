"""How the work of an analysis runs: what is told of it meanwhile, and on how many threads."""

from collections.abc import Callable

from threadpoolctl import threadpool_limits

Progress = Callable[[str, float], None]
"""Called with a stage's name and its share done, 0 to 1."""

# The solves are small: more threads only wait for one another, twice as long beside a busy
# neighbour, and their number would change the last digits.
one_blas_thread = threadpool_limits.wrap(limits=1, user_api="blas")


def quiet(stage: str, share: float) -> None:
    """Report progress to nobody."""
