"""No way in: words of a study or a log stay words, paths stay in their folder, nothing from elsewhere is run."""

from __future__ import annotations

import ast
import os
import re
import subprocess
import sys
from importlib.metadata import PackageNotFoundError, metadata, requires
from pathlib import Path

import pytest
import smallstudy
from packaging.requirements import Requirement

from edgefinish.errors import RunError
from edgefinish.report import _cell
from edgefinish.runner import FORMS, check_parameters
from edgefinish.study import demo_folder

MODULES = sorted((Path(__file__).parents[1] / "edgefinish").glob("*.py"))
FORM = demo_folder("notebooks") / f"{FORMS[0]}.ipynb"
# Calls by which a file could become code, and modules that make objects from bytes.
CALLS = {"eval", "exec", "compile", "__import__", "read_pickle", "to_pickle", "unsafe_load", "full_load", "system",
         "popen"}
MODULES_SHUT = {"pickle", "cPickle", "dill", "joblib", "shelve", "marshal", "ctypes"}
# Licences that a shop may use, pass on and build into its own: words of SPDX and of the classifiers of packages.
PERMISSIVE = re.compile(r"\b(MIT|MIT-0|BSD|0BSD|Apache|ISC|PSF|Python Software Foundation|HPND|Unlicense|CC0|Zlib|"
                        r"MIT-CMU|MPL|Mozilla Public License)\b", re.IGNORECASE)
RECIPROCAL = re.compile(r"\b(A?GPL|LGPL|GNU)\b", re.IGNORECASE)
KNOWN_APART = {"psycopg": "LGPL", "psycopg-binary": "LGPL"}  # an extra: linked at run time, unchanged


@pytest.mark.parametrize("name", ["x = __import__('os').system('touch pwned'); y", "study; import os", "stduy", "",
                                  "study\nimport os", "_x", "Study"])
def test_a_parameter_that_the_form_does_not_have_is_refused(name):
    with pytest.raises(RunError) as caught:
        check_parameters(FORM, {name: "x"})
    assert caught.value.problems[0].found == name


@pytest.mark.parametrize("value", [1, None, b"x", Path("x"), ["x"], {"x": 1}, True])
def test_a_parameter_of_another_type_is_refused(value):
    with pytest.raises(RunError):
        check_parameters(FORM, {"study": value})


@pytest.mark.parametrize("path", MODULES, ids=lambda p: p.stem)
def test_no_room_makes_code_or_objects_from_what_it_reads(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            function = node.func
            name = function.id if isinstance(function, ast.Name) else getattr(function, "attr", "")
            owner = getattr(getattr(function, "value", None), "id", "")
            assert name not in CALLS or (owner, name) in {("re", "compile"), ("typst", "compile")}, ast.unparse(node)
            assert not any(k.arg == "shell" for k in node.keywords), ast.unparse(node)
        names = [a.name for a in node.names] if isinstance(node, ast.Import) else \
            [node.module or ""] if isinstance(node, ast.ImportFrom) else []
        shut = {n.partition(".")[0] for n in names} & MODULES_SHUT
        assert not shut or (path.stem, shut) == ("handedon", {"pickle"})  # of a run's own bytes, by their digest


def test_what_lies_where_the_command_is_given_is_not_run(tmp_path):
    """Modules under the names of ours and of those we stand on, a notebook, a start-up file, a profile."""
    smallstudy.write(tmp_path)
    mark = tmp_path / "pwned"
    attack = f"open({str(mark)!r}, 'a').write(__name__)\n"
    for name in ("edgefinish", "pandas", "json", "sitecustomize", "usercustomize", "IPython", "plotly"):
        (tmp_path / f"{name}.py").write_text(attack)
    (tmp_path / "notebooks").mkdir()
    for form in FORMS:
        (tmp_path / "notebooks" / f"{form}.ipynb").write_text(
            '{"cells": [{"cell_type": "code", "source": ' + repr(attack).replace("'", '"').replace('\\"', "'") + "}]}")
    start = tmp_path / "home" / "profile_default" / "startup"
    start.mkdir(parents=True)
    (start / "00.py").write_text(attack)
    done = subprocess.run(
        [sys.executable, "-P", "-c", "import sys; from edgefinish.cli import main; sys.exit(main(sys.argv[1:]))", "run",
         "study.yaml", "--quiet", "--workers", "1"], cwd=tmp_path, capture_output=True, text=True, timeout=300,
        env={**os.environ, "IPYTHONDIR": str(tmp_path / "home"), "PYTHONSTARTUP": str(start / "00.py")})
    assert done.returncode == 0, done.stderr
    assert not mark.exists(), mark.read_text()


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@SUM(1)", "\t=1", "\r=1", "\n=1", "＝1+1", "＠1",
                                  "S355;=1+1", "S355;@x", "S355\n=1"])
def test_no_cell_of_the_table_of_windows_is_a_formula_whatever_separator_a_spreadsheet_takes(cell):
    for piece in re.split(r"[;\t\r\n]", _cell(cell)):
        assert not piece.startswith(("=", "+", "-", "@", "＝", "＋", "－", "＠")), piece
    assert _cell("S355; -0.2 mm") == "S355; -0.2 mm"


def dependencies(*roots: str) -> dict[str, str]:
    """The roots, what they need, and what that needs: each package with its licence."""
    found: dict[str, str] = {}
    todo = [Requirement(root) for root in roots]
    seen = set()
    while todo:
        wanted = todo.pop()
        name = re.sub(r"[-_.]+", "-", wanted.name).lower()
        if (name, key := frozenset(wanted.extras)) in seen:
            continue
        seen.add((name, key))
        try:
            about = metadata(name)
        except PackageNotFoundError:
            continue  # of another system
        classes = [c for c in about.get_all("Classifier") or [] if c.startswith("License")]
        text = str(about.get("License-Expression") or " ".join(classes) or about.get("License") or "")
        found[name] = text if classes or about.get("License-Expression") else text[:200]
        for line in requires(name) or []:
            need = Requirement(line)
            if need.marker is None or any(need.marker.evaluate({"extra": e}) for e in (wanted.extras or {""}) | {""}):
                todo.append(need)
    return found


def test_every_dependency_has_a_licence_that_a_shop_may_live_with():
    found = dependencies("edgefinish")
    assert len(found) > 60
    odd = {n: t for n, t in found.items() if not PERMISSIVE.search(t) or RECIPROCAL.search(t)}
    assert not odd, odd


def test_the_extra_for_postgresql_is_the_only_one_under_another_licence():
    if not (found := dependencies("psycopg[binary]")):
        pytest.skip("the driver is not installed here")
    assert {n for n, t in found.items() if RECIPROCAL.search(t)} == set(KNOWN_APART)
