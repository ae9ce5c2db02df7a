"""Breaks a room in one place at a time and counts how often the tests of it turn red.

    .venv/bin/python tests/bench/mutants.py edgefinish/window.py tests/test_window.py

Each mutant has one comparison, operator, number or condition changed; those that no test file turns red are printed.
"""

from __future__ import annotations

import argparse
import ast
import copy
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parents[2]
COMPARED = {ast.Lt: [ast.LtE, ast.Gt], ast.LtE: [ast.Lt, ast.GtE], ast.Gt: [ast.GtE, ast.Lt],
            ast.GtE: [ast.Gt, ast.LtE], ast.Eq: [ast.NotEq], ast.NotEq: [ast.Eq], ast.Is: [ast.IsNot],
            ast.IsNot: [ast.Is], ast.In: [ast.NotIn], ast.NotIn: [ast.In]}
WORKED = {ast.Add: [ast.Sub], ast.Sub: [ast.Add], ast.Mult: [ast.Div], ast.Div: [ast.Mult], ast.Pow: [ast.Mult],
          ast.BitAnd: [ast.BitOr], ast.BitOr: [ast.BitAnd], ast.FloorDiv: [ast.Mult], ast.Mod: [ast.Mult]}
NAMES = {"max": "min", "min": "max", "left": "right", "right": "left", "ceil": "floor", "floor": "ceil",
         "maximum": "minimum", "minimum": "maximum", "argmin": "argmax", "argmax": "argmin", "any": "all", "all": "any"}


def changes(node: ast.AST) -> Iterator[tuple[str, ast.AST]]:
    """What a node can be changed into, each with a word for it."""
    if isinstance(node, ast.Compare):
        for i, op in enumerate(node.ops):
            for other in COMPARED.get(type(op), []):
                new = copy.deepcopy(node)
                new.ops[i] = other()
                yield f"{type(op).__name__} to {other.__name__}", new
    elif isinstance(node, ast.BinOp):
        for other in WORKED.get(type(node.op), []):
            new = copy.deepcopy(node)
            new.op = other()
            yield f"{type(node.op).__name__} to {other.__name__}", new
    elif isinstance(node, ast.BoolOp):
        new = copy.deepcopy(node)
        new.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        yield "and, or", new
    elif isinstance(node, ast.UnaryOp):
        yield f"no {type(node.op).__name__}", copy.deepcopy(node.operand)
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield f"{node.value} to {node.value + 1}", ast.copy_location(ast.Constant(node.value + 1), node)
    elif isinstance(node, ast.Constant) and node.value in NAMES:
        yield f"{node.value} to {NAMES[node.value]}", ast.Constant(NAMES[node.value])
    elif isinstance(node, ast.Attribute) and node.attr in NAMES:
        new = copy.deepcopy(node)
        new.attr = NAMES[node.attr]
        yield f"{node.attr} to {new.attr}", new
    elif isinstance(node, ast.Break):
        yield "break to continue", ast.Continue()
    elif isinstance(node, (ast.If, ast.IfExp)):
        new = copy.deepcopy(node)
        new.test = ast.UnaryOp(ast.Not(), new.test)
        yield "condition turned", new


class _Change(ast.NodeTransformer):
    def __init__(self, at: int, new: ast.AST) -> None:
        self.at, self.new, self.count = at, new, -1

    def visit(self, node: ast.AST) -> ast.AST:
        self.count += 1
        if self.count == self.at:
            return ast.copy_location(self.new, node) if hasattr(node, "lineno") else self.new
        return self.generic_visit(node)


def _ordered(tree: ast.AST) -> Iterator[ast.AST]:
    yield tree
    for child in ast.iter_child_nodes(tree):
        yield from _ordered(child)


def mutants(source: str) -> Iterator[tuple[int, str, str]]:
    """Line, word and text of each mutant of a module."""
    for at, node in enumerate(_ordered(ast.parse(source))):
        for word, new in changes(node):
            changed = _Change(at, new).visit(ast.parse(source))
            yield getattr(node, "lineno", 0), word, ast.unparse(ast.fix_missing_locations(changed))


def main() -> int:
    """Exit code 0 where at least 85 of 100 mutants are killed."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("module", type=Path)
    options.add_argument("tests", nargs="+")
    options.add_argument("--every", type=int, default=1, help="only each so many-th mutant")
    given = options.parse_args()
    source = (ROOT / given.module).read_text(encoding="utf-8")
    chosen = list(mutants(source))[::given.every]
    alive = []
    with tempfile.TemporaryDirectory() as folder:
        for name in ("edgefinish", "tests", "data", "notebooks", "pyproject.toml", "README.md"):
            copied = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
            copied(ROOT / name, Path(folder, name))
        env = {**os.environ, "PYTHONPATH": folder, "PYTHONDONTWRITEBYTECODE": "1"}
        command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *given.tests]
        if subprocess.run(command, cwd=folder, env=env, capture_output=True).returncode:
            sys.exit("the tests are red before anything is changed")
        for line, word, text in chosen:
            Path(folder, given.module).write_text(text, encoding="utf-8")
            try:
                code = subprocess.run(command, cwd=folder, env=env, capture_output=True, timeout=120).returncode
            except subprocess.TimeoutExpired:
                code = 1
            if code == 0:
                alive.append(f"line {line}: {word}")
    killed = len(chosen) - len(alive)
    print(json.dumps({"mutants": len(chosen), "killed": killed, "share": round(killed / len(chosen), 3),
                      "alive": alive}, indent=1))
    return int(killed < 0.85 * len(chosen))


if __name__ == "__main__":
    sys.exit(main())
