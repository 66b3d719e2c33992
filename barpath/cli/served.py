"""Commands that serve pages on this machine: the correction page and the desk."""

from pathlib import Path
from typing import Annotated

import typer

from barpath.cli.options import OpenPage, Port


def touchup(
    results: Annotated[Path, typer.Argument(help="Result folder of a clip.", show_default=False)],
    clip: Annotated[
        Path | None,
        typer.Option(
            help="The clip; looked for beside the folder and in the current directory if not"
            " given.",
            show_default=False,
        ),
    ] = None,
    port: Port = 0,
    show: OpenPage = True,
    video: Annotated[bool, typer.Option(help="Draw the annotated clip again at each save.")] = True,
) -> None:
    """Put joints and plate right by hand in the browser, and measure again.

    The page is served on this machine alone and asks nothing of the network. Ctrl-C ends it with
    exit code 0, leaving what was saved.
    """
    from barpath.analysis.store import known_only_by_form
    from barpath.page.touchup import run as run_touchup

    def ready(address: str) -> None:
        typer.echo(f"Correction page: {address}")
        typer.echo("Ctrl-C ends it.", err=True)
        if show:
            typer.launch(address)

    with known_only_by_form(results):
        run_touchup(results, clip, port=port, video=video, ready=ready)


def desk(
    folder: Annotated[
        Path | None,
        typer.Argument(
            help="Folder that everything is kept in; barpath-desk in your own folder if not given.",
            show_default=False,
        ),
    ] = None,
    port: Port = 0,
    show: OpenPage = True,
) -> None:
    """Open a page for work without the terminal: add clips, measure, compare, put right.

    The page is served on this machine alone and asks nothing of the network. It ends with its own
    button or Ctrl-C (exit code 0); what was not finished goes on the next time.
    """
    from barpath.page.desk import run as run_desk

    def ready(address: str) -> None:
        typer.echo(f"Desk: {address}")
        if show:
            typer.launch(address)

    run_desk(folder or Path.home() / "barpath-desk", port=port, ready=ready)
