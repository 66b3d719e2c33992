"""The house keeps its order: floors are climbed one way, and folders hand out what they name."""

import ast
import importlib
import tomllib
from pathlib import Path

import pytest

import barpath

HOUSE = Path(barpath.__file__).parent
SETTINGS = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text("utf-8"))
LAYERS = SETTINGS["tool"]["importlinter"]["contracts"][0]["layers"]
HEIGHT = {
    folder.removeprefix("barpath."): height
    for height, floor in enumerate(reversed(LAYERS))
    for folder in floor.split(" | ")
}
"""Of each folder, from the ground up."""


def imports(file: Path) -> list[tuple[str, str]]:
    """Folder and module of everything that a file takes from the house's folders."""
    taken = []
    for node in ast.walk(ast.parse(file.read_text("utf-8"))):
        if not isinstance(node, ast.ImportFrom) or not (node.module or "").startswith("barpath."):
            continue
        _, folder, *rest = node.module.split(".")
        if (HOUSE / folder).is_dir():
            taken += [(folder, rest[0] if rest else name.name) for name in node.names]
    return taken


def folders() -> list[Path]:
    return sorted(path.parent for path in HOUSE.glob("*/__init__.py"))


@pytest.mark.parametrize("folder", folders(), ids=lambda path: path.name)
def test_a_folder_takes_from_lower_floors_what_they_hand_out(folder: Path) -> None:
    others = 0
    for file in folder.rglob("*.py"):
        for other, module in imports(file):
            if other == folder.name:
                continue
            others += 1
            assert HEIGHT[other] < HEIGHT[folder.name], f"{file} takes from {other}"
            handed_out = importlib.import_module(f"barpath.{other}").__all__
            assert module in handed_out, f"{other} does not hand out {module}, which {file} takes"
    assert others or folder.name == "ground" or folder.name == "clip"


@pytest.mark.parametrize("folder", folders(), ids=lambda path: path.name)
def test_a_folders_face_says_what_there_is(folder: Path) -> None:
    face = importlib.import_module(f"barpath.{folder.name}")
    there = {file.stem for file in folder.glob("*.py")} - {"__init__"}
    there |= {file.parent.name for file in folder.glob("*/__init__.py")}
    assert set(face.__all__) == there
    assert all(f"`{name}" in face.__doc__ for name in there)
