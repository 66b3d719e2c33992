"""The command that measures accuracy and cost here and now."""

from pathlib import Path
from typing import Annotated

import typer

from barpath.errors import OptionError


def benchmark(
    what: Annotated[
        str,
        typer.Argument(
            help="plate: centre error on made frames; cost: time; memory: short and long clip; "
            "length: time by length; steadiness: clips changed by a grey level, and encoded again."
        ),
    ],
    clip: Annotated[
        Path | None,
        typer.Option(help="Clip for cost, memory and length; the demo clip if not given."),
    ] = None,
    clips: Annotated[
        list[Path] | None,
        typer.Option(help="Clip for the steadiness; again for more; the synthetic ones if none."),
    ] = None,
    seeds: Annotated[int, typer.Option(min=1, help="Seeds for the steadiness.")] = 5,
    workers: Annotated[int, typer.Option(min=1, help="Processes for the steadiness.")] = 1,
) -> None:
    """Print accuracy or cost figures measured here and now."""
    if what == "plate":
        from barpath.trial.benchmark import format_plate_centre_error, plate_centre_error

        typer.echo(format_plate_centre_error(plate_centre_error()))
    elif what == "cost":
        from barpath.clip.samples import demo_clip
        from barpath.trial.cost import cost, format_cost

        typer.echo(format_cost(cost(clip or demo_clip())))
    elif what == "memory":
        from barpath.clip.samples import demo_clip
        from barpath.trial.cost import memory_growth

        short_mb, long_mb = memory_growth(clip or demo_clip())
        typer.echo(f"peak memory, 20 s: {short_mb:.0f} MB; 5 min: {long_mb:.0f} MB")
    elif what == "length":
        from barpath.clip.samples import demo_clip
        from barpath.trial.cost import format_time_by_length, time_by_length

        typer.echo(format_time_by_length(time_by_length(clip or demo_clip())))
    elif what == "steadiness":
        from barpath.trial.steadiness import format_steadiness, sample_clips, steadiness

        table = steadiness(clips or sample_clips(), range(1, seeds + 1), workers)
        typer.echo(format_steadiness(table))
    else:
        raise OptionError(
            "There are benchmarks 'plate', 'cost', 'memory', 'length' and 'steadiness', but none"
            f" {what!r}."
        )
