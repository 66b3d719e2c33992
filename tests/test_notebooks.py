"""The notebooks run from top to bottom and keep their pictures."""

import json
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"


def run(name: str):
    notebook = nbformat.read(NOTEBOOKS / name, as_version=4)
    NotebookClient(
        notebook, timeout=300, kernel_name="python3", resources={"metadata": {"path": "."}}
    ).execute()
    return notebook


def pictures(notebook) -> int:
    return sum(
        "image/png" in output.get("data", {})
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
    )


def printed(notebook) -> str:
    return "".join(
        output.get("text", "")
        for cell in notebook.cells
        if cell.cell_type == "code"
        for output in cell.outputs
    )


@pytest.mark.parametrize("path", sorted(NOTEBOOKS.glob("*.ipynb")), ids=lambda p: p.stem)
def test_notebooks_are_kept_with_their_pictures(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    assert pictures(notebook) >= 2
    assert "Traceback" not in json.dumps(notebook)
    assert "safeties or a spotter" in notebook.cells[0].source


def test_flare_against_tuck_runs():
    notebook = run("flare_against_tuck.ipynb")
    assert pictures(notebook) == 2
    text = printed(notebook)
    assert "Elbow abduction (left)" in text
    kept = printed(nbformat.read(NOTEBOOKS / "flare_against_tuck.ipynb", as_version=4))
    assert len(text.splitlines()) == len(kept.splitlines())


def test_walk_a_set_runs():
    notebook = run("walk_a_set.ipynb")
    assert pictures(notebook) == 2
    assert "expected: 0.944" in printed(notebook)
