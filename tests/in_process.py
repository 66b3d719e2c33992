"""Blocks worked off without workers."""

import contextlib
from collections.abc import Iterator

import pytest

from barpath.block.jobs import Event, ignore
from barpath.block.work import process


@contextlib.contextmanager
def here() -> Iterator[None]:
    """Work the jobs of blocks off in this process, which spares the start of others."""

    def run_here(jobs, config, done, watch=ignore):
        for job in jobs:

            def progress(stage, share, name=job.name):
                watch(Event("stage", name, stage, share))

            done(job, process(job, progress))

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("barpath.block.run.run_local", run_here)
        yield
