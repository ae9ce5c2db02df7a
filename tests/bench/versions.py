"""The same windows from the oldest declared packages and the newest: a virtual environment each, every number compared.

    .venv/bin/python tests/bench/versions.py --folder /tmp/versions

Needs a package index, a few minutes and 2 GB. Environments that are there already are used as they are.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import subprocess
import sys
import tempfile
import tomllib
import venv
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]
NUMBERS = ("test_model.py", "test_numerics.py", "test_promise.py", "test_study.py", "test_triallog.py", "test_units.py")
STUDIES = ("data/demo/study.yaml", "data/demo/small-shop.yaml")
ANSWER = ("import sys\nfrom edgefinish.results import open_study\nfrom edgefinish.report import windows_json\n"
          "from edgefinish.report import report_html\nr = open_study(sys.argv[1])\n"
          "open(sys.argv[2] + '.json', 'w', encoding='utf-8').write(windows_json(r))\n"
          "open(sys.argv[2] + '.html', 'w', encoding='utf-8').write(report_html(r))\n")


def environment(folder: Path, which: str) -> Path:
    """An environment with the declared packages, the oldest or the newest of each; returns its Python."""
    python = folder / which / "bin" / "python"
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [re.sub(">=", "==" if which == "oldest" else ">=", d) for d in project["dependencies"]]
    if not python.exists():
        venv.create(folder / which, with_pip=True)
        tests = [d for d in project["optional-dependencies"]["test"]]
        subprocess.run([python, "-m", "pip", "install", "-q", *wanted, *tests], check=True)
    return python


def main() -> int:
    """Exit code 0 where no number differs beyond six figures and the tests of numbers pass in both."""
    from edgefinish.compare import compare_texts, read_tokens

    options = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    options.add_argument("--folder", type=Path, default=Path(tempfile.gettempdir(), "versions"))
    options.add_argument("--no-tests", action="store_true", help="compare numbers only")
    given = options.parse_args()
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    pythons = {which: environment(given.folder, which) for which in ("oldest", "newest")}
    # The version of the package itself is looked up in its metadata.
    for python in pythons.values():
        subprocess.run([python, "-m", "pip", "install", "-q", "--no-deps", "-e", ROOT], check=True)
    failed, numbers, last, differ = 0, 0, 0, []
    for which, python in pythons.items():
        for study in STUDIES:
            out = given.folder / f"{Path(study).stem}-{which}"
            subprocess.run([python, "-c", ANSWER, ROOT / study, out], check=True, env=env)
        if not given.no_tests:
            failed += subprocess.run([python, "-m", "pytest", "-q", *(f"tests/{t}" for t in NUMBERS)], cwd=ROOT,
                                     env=env).returncode
    for study in STUDIES:
        for kind in ("json", "html"):
            texts = [read_tokens(given.folder / f"{Path(study).stem}-{which}.{kind}") for which in pythons]
            found = compare_texts(f"{Path(study).stem}.{kind}", *texts)
            numbers, last = numbers + found.numbers, last + found.last_figure
            differ += [str(d) for d in found.differences if d.kind == "number"]
            differ += [str(d) for d in found.differences if d.kind == "words" and len(texts[0]) != len(texts[1])]
    print(json.dumps({"numbers compared": numbers, "in the sixth figure": last, "differ": differ,
                      "tests failed": failed}, indent=1))
    return int(bool(differ or failed))


if __name__ == "__main__":
    sys.exit(main())
