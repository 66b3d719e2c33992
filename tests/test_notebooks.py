"""The notebooks run from top to bottom, and are kept with their pictures."""

import json
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"
MOST_CELLS = 12


def executed(name: str):
    notebook = kept(name)
    NotebookClient(
        notebook, timeout=900, kernel_name="python3", resources={"metadata": {"path": "."}}
    ).execute()
    return notebook


def run(name: str):
    """In a process of its own: what one kernel leaves open must not meet the next one's sockets."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
        return pool.submit(executed, name).result()


def kept(name: str):
    return nbformat.read(NOTEBOOKS / f"{name}.ipynb", as_version=4)


def outputs(notebook):
    return [out for cell in notebook.cells if cell.cell_type == "code" for out in cell.outputs]


def pictures(notebook) -> list[str]:
    """The kind of every picture, in order."""
    kinds = [kind for out in outputs(notebook) for kind in out.get("data", {})]
    return [kind for kind in kinds if kind.startswith("image/")]


def tables(notebook) -> int:
    return sum("text/html" in out.get("data", {}) for out in outputs(notebook))


def printed(notebook) -> str:
    return "".join(out.get("text", "") for out in outputs(notebook))


@pytest.mark.parametrize("path", sorted(NOTEBOOKS.glob("*.ipynb")), ids=lambda p: p.stem)
def test_notebooks_are_short_and_kept_with_their_pictures(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    assert len(notebook.cells) <= MOST_CELLS
    assert len(pictures(notebook)) >= 2
    assert "Traceback" not in json.dumps(notebook)
    assert "safeties or a spotter" in notebook.cells[0].source


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("six_weeks", "Elbow abduction (left)"),
        ("walk_a_set", "expected: 0.944"),
        pytest.param("at_a_slant", "Film from the side", marks=pytest.mark.slow),
        pytest.param("flare_against_tuck", "more tuck with tucked", marks=pytest.mark.slow),
        pytest.param("put_joints_right", '"joint": "right_elbow"', marks=pytest.mark.slow),
        pytest.param("two_cameras", "referees decide", marks=pytest.mark.slow),
    ],
)
def test_a_notebook_runs_and_gives_what_was_kept(name, said):
    notebook, before = run(name), kept(name)
    assert said in printed(notebook)
    assert pictures(notebook) == pictures(before)
    assert tables(notebook) == tables(before)
    assert len(printed(notebook).splitlines()) == len(printed(before).splitlines())


def test_every_notebook_is_run():
    marks = test_a_notebook_runs_and_gives_what_was_kept.pytestmark
    named = {getattr(case, "values", case)[0] for case in marks[0].args[1]}
    assert named == {path.stem for path in NOTEBOOKS.glob("*.ipynb")}
