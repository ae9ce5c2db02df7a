"""The house keeps its own rules: short rooms, no circle of imports, notebooks that are forms, verbs that explain."""

from __future__ import annotations

import argparse
import ast
import re
import subprocess
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import nbformat
import pytest

from edgefinish import cli
from edgefinish.runner import FORMS

ROOT = Path(__file__).parents[1]
MODULES = sorted((ROOT / "edgefinish").rglob("*.py"))
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
TOP = {".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "README.md", "data", "edgefinish", "notebooks",
       "pyproject.toml", "tests"}
LOGIC = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.For, ast.While, ast.If, ast.Try, ast.With, ast.Lambda,
         ast.ListComp, ast.SetComp, ast.DictComp, ast.GeneratorExp)


def imports(path: Path) -> set[str]:
    """The rooms that a room imports, wherever in it."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.level or (node.module or "").startswith("edgefinish")):
            room = (node.module or "").removeprefix("edgefinish").strip(".")
            found |= {room} if room else {alias.name for alias in node.names}
    return found


def outside(path: Path) -> set[str]:
    """The packages from elsewhere that a room imports."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name.partition(".")[0] for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and not node.level:
            found.add((node.module or "").partition(".")[0])
    return found


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.stem)
def test_a_room_is_short_and_says_what_it_is_for(path):
    text = path.read_text(encoding="utf-8")
    assert len(text.splitlines()) <= 450
    assert ast.get_docstring(ast.parse(text))


def test_there_is_no_circle_of_imports():
    graph = {p.stem: imports(p) - {p.stem} for p in MODULES if p.stem != "__init__"}
    try:
        order = list(TopologicalSorter(graph).static_order())
    except CycleError as circle:
        pytest.fail(f"circle of imports: {' → '.join(circle.args[1])}")
    assert order.index("errors") < order.index("study") < order.index("runner") < order.index("cli")


@pytest.mark.parametrize(("package", "rooms"), [
    ("papermill", {"runner"}), ("yaml", {"study", "studytext"}), ("typst", {"setupsheet"}), ("segno", {"setupsheet"}),
    ("argparse", {"cli"})])
def test_one_room_knows_each_tool(package, rooms):
    assert {p.stem for p in MODULES if package in outside(p)} == rooms


def test_the_top_of_the_repository_stays_small():
    if not (ROOT / ".git").exists():
        pytest.skip("no repository here to list")
    kept = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True).stdout.split("\n")
    assert {name.partition("/")[0] for name in kept if name} <= TOP


def test_the_shipped_notebooks_are_those_that_a_run_executes_and_the_plan_before_it():
    assert [p.stem for p in NOTEBOOKS] == ["00-plan-the-trial", *FORMS]


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_is_a_form(path):
    notebook = nbformat.read(path, as_version=4)
    nbformat.validate(notebook)
    first, *_ = notebook.cells
    assert first.cell_type == "markdown" and re.match(r"# .*\?$", first.source.splitlines()[0])
    code = [c for c in notebook.cells if c.cell_type == "code"]
    assert all(not c.outputs and c.execution_count is None for c in code)
    assert all(len(c.source.splitlines()) <= 14 for c in code)
    for cell in code:
        tree = ast.parse(cell.source)  # a magic is no Python, and fails here
        assert not [n for n in ast.walk(tree) if isinstance(n, LOGIC)]
    assert [i for i, c in enumerate(code) if "parameters" in c.metadata.get("tags", [])] == [0]
    assert all(re.fullmatch(r"\w+: \w+ = .+  # .+", line) for line in code[0].source.splitlines())


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_every_section_of_a_notebook_shows_something(path):
    cells = nbformat.read(path, as_version=4).cells
    heads = [i for i, c in enumerate(cells) if c.cell_type == "markdown" and c.source.startswith("## ")]
    assert heads and all(i + 1 < len(cells) and cells[i + 1].cell_type == "code" for i in heads)


def _verbs() -> dict[str, argparse.ArgumentParser]:
    action = next(a for a in cli.parser()._actions if isinstance(a, argparse._SubParsersAction))
    return dict(action.choices)


def test_every_verb_has_help_an_example_and_a_line_in_the_readme():
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name, parser in _verbs().items():
        assert parser.description and f"Example: edgefinish {name}" in str(parser.epilog)
        assert f"`edgefinish {name}" in readme
        options = {o for a in parser._actions for o in a.option_strings}
        assert {"--quiet", "--json"} <= options
        assert all(a.help or a.metavar for a in parser._actions)
