"""The house's own rules: which room may know which, and what every module owes its reader."""

from __future__ import annotations

import ast
import importlib
import re
import subprocess
import sys
from pathlib import Path

import pytest

import fitcheck
from fitcheck import cli

ROOT = Path(__file__).parents[1]
PACKAGE = ROOT / "fitcheck"
MODULES = sorted(PACKAGE.rglob("*.py"))
TREES = {path.relative_to(ROOT).as_posix(): ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}

HOMES = {
    "click": {"fitcheck/cli.py"},
    "ruamel": {"fitcheck/layout/reader.py"},
}
"""Libraries that one module alone may import. (Who may import pydantic stands in pyproject.toml.)"""

HEAVY = {"scipy", "trimesh", "shapely", "igl", "pyvista", "vtkmodules", "PIL", "rich", "jsonschema", "fcl", "rtree"}
"""Libraries that are imported when they are first used, not when fitcheck starts."""


def imported(nodes: list[ast.AST]) -> set[str]:
    """The top names of what these statements import."""
    names = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    names |= {node.module for node in nodes if isinstance(node, ast.ImportFrom) and node.module}
    return {name.split(".")[0] for name in names}


def test_the_import_contracts_of_pyproject_hold():
    """The layers and the walls of [tool.importlinter], walked by import-linter."""
    command = (
        "import sys; from importlinter.cli import lint_imports; sys.exit(lint_imports(no_cache=True, no_logo=True))"
    )
    done = subprocess.run([sys.executable, "-c", command], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert "0 broken" in done.stdout


@pytest.mark.parametrize("library", HOMES)
def test_a_library_with_one_home_is_imported_nowhere_else(library):
    users = {name for name, tree in TREES.items() if library in imported(list(ast.walk(tree)))}
    assert users == HOMES[library]


def test_only_the_view_room_imports_pyvista():
    drawing = {"pyvista", "vtk", "vtkmodules", "PIL"}
    users = {name for name, tree in TREES.items() if drawing & imported(list(ast.walk(tree)))}
    assert all(name.startswith("fitcheck/view/") for name in users)


@pytest.mark.parametrize("name", TREES)
def test_heavy_libraries_are_imported_late(name):
    assert not HEAVY & imported(TREES[name].body)


@pytest.mark.parametrize("name", TREES)
def test_every_module_and_every_public_function_says_what_it_is(name):
    """A class of data may be plain by its fields; everything else has a docstring."""
    tree = TREES[name]
    assert ast.get_docstring(tree), name
    for node in tree.body:
        public = isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_")
        data = isinstance(node, ast.ClassDef) and any("dataclass" in ast.dump(mark) for mark in node.decorator_list)
        if public and not data:
            assert ast.get_docstring(node), f"{name}: {node.name}"


@pytest.mark.parametrize("name", TREES)
def test_no_module_swallows_all_errors_or_leaves_work_for_later(name):
    """Who catches everything raises it again; only the outermost edge of the command line does not."""
    text = (ROOT / name).read_text(encoding="utf-8")
    for word in ("TO" + "DO", "FIX" + "ME"):
        assert word not in text
    broad = [
        node
        for node in ast.walk(TREES[name])
        if isinstance(node, ast.ExceptHandler)
        and (node.type is None or ast.unparse(node.type) in ("Exception", "BaseException"))
        and ast.unparse(node.body[-1]) != "raise"
    ]
    assert len(broad) == (1 if name == "fitcheck/cli.py" else 0)


def test_no_module_is_a_drawer_for_everything():
    assert not {"utils", "helpers", "manager", "common", "misc"} & {path.stem for path in MODULES}


def test_functions_are_short():
    """Half of them have at most 8 lines and nine in ten at most 30, docstrings left out."""
    lengths = []
    for tree in TREES.values():
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                body = node.body[1:] if ast.get_docstring(node) else node.body
                lengths.append(body[-1].end_lineno - body[0].lineno + 1 if body else 0)
    lengths.sort()
    assert lengths[len(lengths) // 2] <= 8
    assert lengths[len(lengths) * 9 // 10] <= 30


def test_files_are_short():
    too_long = [path.name for path in MODULES if len(path.read_text(encoding="utf-8").splitlines()) > 400]
    assert len(too_long) <= len(MODULES) // 20, too_long


# -- the public face --


@pytest.mark.parametrize("name", fitcheck.__all__)
def test_every_public_name_is_there_and_documented(name):
    assert getattr(fitcheck, name).__doc__


def test_a_name_that_is_not_public_is_an_attribute_error():
    with pytest.raises(AttributeError, match="no attribute 'chek_scene'"):
        fitcheck.chek_scene
    assert set(fitcheck.__all__) <= set(dir(fitcheck))


def test_importing_the_face_loads_no_library():
    command = "import sys, fitcheck; print(sorted({'numpy', 'click', 'pydantic', 'rich'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", command], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize("name", TREES)
def test_every_module_can_be_imported(name):
    module = name.removesuffix(".py").removesuffix("/__init__").replace("/", ".")
    if module != "fitcheck.__main__":
        assert importlib.import_module(module).__doc__


# -- what a fresh machine runs first --


def test_the_first_scripts_can_be_read_by_an_old_python():
    """They must parse on Python 3.6 to say that it is too old: no newer syntax, nothing but the standard library."""
    allowed = {"hashlib", "os", "shutil", "subprocess", "sys", "ensurepip", "venv", "_environment"}
    for name in ("_environment.py", "demo.py", "test.py"):
        text = (ROOT / "scripts" / name).read_text(encoding="utf-8")
        tree = ast.parse(text, feature_version=(3, 6))
        assert imported(list(ast.walk(tree))) <= allowed
        newer = (ast.NamedExpr, ast.JoinedStr)
        assert not [node for node in ast.walk(tree) if isinstance(node, newer)]


def test_every_requirement_is_pinned_and_every_wish_is_among_them():
    """pyproject.toml's dependencies, each with one exact version in requirements.txt."""
    import tomllib

    lines = (ROOT / "requirements.txt").read_text(encoding="utf-8").splitlines()
    pins = [line.split(";")[0].strip() for line in lines if line and not line.startswith("#")]
    assert all(pin.count("==") == 1 for pin in pins)
    pinned = {_canonical(pin.split("==")[0]) for pin in pins}
    with (ROOT / "pyproject.toml").open("rb") as file:
        project = tomllib.load(file)["project"]
    extras = project["optional-dependencies"]
    for wish in [*project["dependencies"], *extras["test"]]:
        assert _canonical(wish.split(">=")[0]) in pinned


def test_the_layouts_in_the_readme_are_read_without_a_mistake(tmp_path):
    """Beside the sample's own vehicle file, whose scan is not opened for that."""
    blocks = re.findall(
        r"```yaml\n# (\w+\.yaml)\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL
    )
    assert [name for name, _ in blocks] == ["a.yaml", "a2.yaml"]
    sample = ROOT / "sample_meshes" / "hollin262" / "vehicle.yaml"
    (tmp_path / "vehicle.yaml").write_text(sample.read_text(encoding="utf-8"), encoding="utf-8")
    for name, text in blocks:
        (tmp_path / name).write_text(text, encoding="utf-8")
    (tmp_path / "hollin262_scan.ply").touch()
    for name, text in blocks:
        title = re.search(r"title: (.*)", text).group(1)
        assert fitcheck.read_layout(tmp_path / name).title == title


def test_the_pictures_in_the_readme_are_there_and_light():
    """All of them show something, and together they are at most 1.5 MB."""
    from PIL import Image

    names = re.findall(r"!\[[^\]]+\]\(([^)]+)\)", (ROOT / "README.md").read_text(encoding="utf-8"))
    assert len(names) >= 3
    assert sum((ROOT / name).stat().st_size for name in names) <= 1_500_000
    for name in names:
        low, high = Image.open(ROOT / name).convert("L").getextrema()
        assert high - low > 150, name


def test_the_commands_and_options_in_the_readme_are_those_there_are():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"^fitcheck (\w+)", text, re.MULTILINE))
    assert named == set(cli.commands.commands)
    options = {option for command in cli.commands.commands.values() for one in command.params for option in one.opts}
    said = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", text))
    assert said == {option for option in options if option.startswith("--")}


def _canonical(name: str) -> str:
    return name.strip().lower().replace("_", "-").replace(".", "-")
