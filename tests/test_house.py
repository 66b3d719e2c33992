"""The house keeps its order: floors are climbed one way, and folders hand out what they name."""

import ast
import importlib
import re
import tomllib
from functools import cache
from pathlib import Path

import pytest

import barpath
from barpath.ground import view

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


def names_of_views(tree: ast.AST) -> list[int]:
    """Lines that compare with a view's name, or that hold a table by views' names."""
    names = {*view.NAMES, view.AUTO}
    constants = {one.upper() for one in names}
    lines = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            for side in sides:
                parts = side.elts if isinstance(side, ast.Tuple | ast.List | ast.Set) else [side]
                for part in (x for p in parts for x in (p.elts if isinstance(p, ast.Set) else [p])):
                    said = isinstance(part, ast.Constant) and part.value in names
                    part = part.value if isinstance(part, ast.Attribute) else part
                    if said or (isinstance(part, ast.Name) and part.id in constants):
                        lines.append(node.lineno)
        if isinstance(node, ast.Dict):
            keys = {key.value for key in node.keys if isinstance(key, ast.Constant)}
            if len(keys) > 1 and keys <= names:
                lines.append(node.lineno)
        if isinstance(node, ast.MatchValue) and isinstance(node.value, ast.Constant):
            lines += [node.lineno] * (node.value.value in names)
    return lines


def test_views_are_known_by_name_in_one_module_alone() -> None:
    for file in HOUSE.rglob("*.py"):
        found = names_of_views(ast.parse(file.read_text("utf-8")))
        assert bool(found) == (file == Path(view.__file__)), f"{file}: lines {found}"
    for text in (
        'result.view == "front"',
        'view in ("side", "oblique")',
        '"front" not in facts.views',
        'seen in ({"front"}, {"side"})',
        "view is FRONT",
        "place.view == FRONT.name",
        '{"front": 1, "side": 2}[view]',
    ):
        assert names_of_views(ast.parse(text)), text


def test_pages_ask_no_view_by_its_name() -> None:
    asked = re.compile(r"view\s*(?:[=!]=+|in)\s*[\"'\[(]")
    pages = [file for kind in ("html", "js") for file in HOUSE.rglob(f"*.{kind}")]
    assert pages and asked.search('{% if view == "side" %}') and asked.search("x.view === 'front'")
    for file in pages:
        assert not asked.search(file.read_text("utf-8")), file


@cache
def modules() -> dict[str, ast.Module]:
    """Every module of the house by its full name."""
    return {
        ".".join(("barpath", *file.relative_to(HOUSE).with_suffix("").parts)): ast.parse(
            file.read_text("utf-8")
        )
        for file in HOUSE.rglob("*.py")
    }


def test_no_module_takes_what_another_keeps_to_itself() -> None:
    for name, tree in modules().items():
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("barpath"):
                kept = [one.name for one in node.names if one.name.startswith("_")]
                assert not kept, f"{name} takes {kept} from {node.module}"


def circle(taken: dict[str, set[str]]) -> list[str]:
    """Modules that take from each other in a circle, if there are any."""
    done: set[str] = set()

    def walk(name: str, way: list[str]) -> list[str]:
        if name in way:
            return way[way.index(name) :]
        if name in done:
            return []
        found = next((found for one in taken[name] if (found := walk(one, [*way, name]))), [])
        done.add(name)
        return found

    return next((found for name in taken if (found := walk(name, []))), [])


def test_modules_do_not_take_from_each_other_in_a_circle() -> None:
    trees = modules()
    taken: dict[str, set[str]] = {name: set() for name in trees}
    for name, tree in trees.items():
        for node in tree.body:
            if isinstance(node, ast.ImportFrom):
                whole = {f"{node.module}.{one.name}" for one in node.names} | {str(node.module)}
                taken[name] |= whole & set(trees)
    assert sum(map(len, taken.values())) > len(trees)
    assert circle(taken) == []
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"b"}}) == ["b", "c"]


def test_no_file_grows_beyond_600_lines() -> None:
    lengths = {file: len(file.read_text("utf-8").splitlines()) for file in HOUSE.rglob("*.py")}
    assert len(lengths) > 100
    assert [str(file) for file, n_lines in lengths.items() if n_lines > 600] == []
