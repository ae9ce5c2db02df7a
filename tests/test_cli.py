"""The command line: verbs, exit codes, what is printed for people and for programs; no traceback for bad input."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest
import smallstudy

from edgefinish import cli
from edgefinish.runner import FORMS

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """The small study in a folder of its own."""
    return smallstudy.write(tmp_path_factory.mktemp("cli"))


def test_version_and_help_end_well(capsys):
    for option, said in (("--version", version("edgefinish")), ("--help", "demo")):
        with pytest.raises(SystemExit) as left:
            cli.main([option])
        assert left.value.code == 0 and said in capsys.readouterr().out


@pytest.mark.parametrize("line", [[], ["runn"], ["run"], ["run", "a.yaml", "--workers", "0"], ["demo", "--fast"],
                                  ["run", "a.yaml", "--workers", "two"], ["check"]])
def test_wrong_usage_is_exit_code_2(line, capsys):
    with pytest.raises(SystemExit) as left:
        cli.main(line)
    assert left.value.code == 2 and "usage:" in capsys.readouterr().err


def test_check_tells_what_was_converted(tmp_path, capsys):
    trials = smallstudy.trials()
    trials.loc[trials["run"] == "R05", "grit"] = "80"
    trials.to_csv(tmp_path / "trials.csv", index=False)
    assert cli.main(["check", str(tmp_path / "trials.csv")]) == 0
    said = capsys.readouterr()
    assert "P80" in said.out and "96 measured edges on 24 plates of 0304 and S355" in said.out and said.err == ""
    assert cli.main(["check", str(tmp_path / "trials.csv"), "--json"]) == 0
    left = json.loads(capsys.readouterr().out)
    assert (left["edges"], left["plates"]) == (96, 24)
    assert {m["column"] for m in left["messages"]} == {"grit"}
    assert cli.main(["check", str(tmp_path / "trials.csv"), "--quiet"]) == 0
    assert capsys.readouterr().out == ""


def test_check_of_a_study_knows_its_column_names(tmp_path, capsys):
    study = smallstudy.write(tmp_path, smallstudy.STUDY + 'columns: {Belt: "feed speed [m/min]"}\n')
    smallstudy.trials().rename(columns={"feed_speed_m_min": "Belt"}).to_csv(tmp_path / "trials.csv", index=False)
    assert cli.main(["check", str(study)]) == 0
    assert "96 measured edges" in capsys.readouterr().out
    assert cli.main(["check", str(study), "--table", "trials"]) == 1
    assert "--table" in capsys.readouterr().err


def test_a_faulty_log_is_exit_code_1_with_every_fault(tmp_path, capsys):
    trials = smallstudy.trials().astype(object)
    trials.loc[3, "edge_position"] = "laeding"
    trials.loc[9, "edge_radius_mm"] = "wide"
    trials.to_csv(tmp_path / "trials.csv", index=False)
    assert cli.main(["check", str(tmp_path / "trials.csv")]) == 1
    said = capsys.readouterr()
    assert "row 5" in said.err and "row 11" in said.err and "'laeding'" in said.err and "'wide'" in said.err
    assert "Traceback" not in said.err and said.out == ""
    assert cli.main(["check", str(tmp_path / "trials.csv"), "--json"]) == 1
    error = json.loads(capsys.readouterr().out)
    assert error["error"] == "LogError" and [p["row"] for p in error["problems"]] == [5, 11]


def test_one_fault_in_many_rows_is_said_once(tmp_path, capsys):
    trials = smallstudy.trials()
    trials["edge_position"] = trials["edge_position"].replace({"leading": "front", "cutout": "hole"})
    trials.to_csv(tmp_path / "trials.csv", index=False)
    assert cli.main(["check", str(tmp_path / "trials.csv")]) == 1
    head, *lines = capsys.readouterr().err.splitlines()
    assert "48 faults" in head and len(lines) == 2
    assert lines[0].startswith("  row 2, ") and "'front'" in lines[0] and lines[0].endswith("(24 rows in all)")
    assert lines[1].startswith("  row 5, ") and "'hole'" in lines[1] and lines[1].endswith("(24 rows in all)")


def test_files_that_are_not_there_are_exit_code_1(tmp_path, capsys):
    for line in (["check", str(tmp_path / "no.csv")], ["run", str(tmp_path / "no.yaml")],
                 ["check", str(tmp_path / "no.yaml")]):
        assert cli.main(line) == 1
        assert capsys.readouterr().err.startswith("edgefinish: ")


@pytest.mark.parametrize("module", ["edgefinish", "edgefinish.cli"])
def test_run_as_a_module_it_is_the_command(module, tmp_path):
    run = [subprocess.run([sys.executable, "-m", module, *line], cwd=tmp_path, capture_output=True, text=True,
                          check=False, env={**os.environ, "PYTHONPATH": str(ROOT)})
           for line in (["run", "nothing.yaml"], ["--version"])]
    assert run[0].returncode == 1 and run[0].stderr.startswith("edgefinish: study file")
    assert (run[1].returncode, run[1].stdout) == (0, f"edgefinish {version('edgefinish')}\n")


def test_a_misspelt_key_is_exit_code_1_with_the_near_one(tmp_path, capsys):
    path = smallstudy.write(tmp_path, smallstudy.STUDY.replace("limits", "limts"))
    assert cli.main(["run", str(path)]) == 1
    assert "did you mean limits?" in capsys.readouterr().err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["study.yaml", "trials.csv"]


def test_run_prints_windows_on_the_safe_side_and_where_things_lie(study, capsys, monkeypatch):
    monkeypatch.setattr("edgefinish.runner.FORMS", FORMS[:1])
    assert cli.main(["run", str(study), "--json"]) == 0
    left = json.loads(capsys.readouterr().out)
    assert left["folder"] == str(study.parent / "small-yard")
    assert cli.main(["run", str(study), "--workers", "2"]) == 0
    said = capsys.readouterr().out
    assert "report.html" in said and left["folder"] in said
    got = [w for w in left["windows"] if w["verdict"] == "window"]
    assert got
    for window in got:
        low, high = (round(math.ceil(window["low_m_min"] * 10 - 1e-6) / 10, 1),
                     round(math.floor(window["high_m_min"] * 10 + 1e-6) / 10, 1))
        assert low >= high or f"{low:.1f} to {high:.1f} m/min" in said
    for word in ("S355, light burr, 10 mm", "0304, heavy burr, 10 mm", "note: "):
        assert word in said


def test_a_folder_that_no_run_made_is_exit_code_1(study, tmp_path, capsys):
    (tmp_path / "mine").mkdir()
    assert cli.main(["run", str(study), "--out", str(tmp_path / "mine")]) == 1
    assert "--out" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["x" * 300, "a file/below"])
def test_a_folder_that_cannot_be_made_is_exit_code_1(study, tmp_path, capsys, name):
    (tmp_path / "a file").touch()
    assert cli.main(["run", str(study), "--out", str(tmp_path / name)]) == 1
    said = capsys.readouterr().err
    assert "wanted a folder that can be made" in said and "name another with --out" in said


def test_a_folder_that_is_not_there_is_not_called_damaged(tmp_path, capsys):
    assert cli.main(["reproduce", str(tmp_path / "gone")]) == 1
    assert f"found 'no folder {tmp_path / 'gone'}', wanted the folder that a run left" in capsys.readouterr().err


def test_a_reader_that_closes_early_sees_no_traceback(study):
    trials = smallstudy.trials()
    trials["grit"] = "80"
    trials.to_csv(study.parent / "bare.csv", index=False)
    line = f"{sys.executable} -c 'import sys; from edgefinish.cli import main; sys.exit(main())' check bare.csv | true"
    ended = subprocess.run(["bash", "-c", line], cwd=study.parent, capture_output=True, text=True, check=False)
    assert "Traceback" not in ended.stderr and "Exception ignored" not in ended.stderr


def test_the_demo_runs_from_a_wheel_in_an_empty_folder(tmp_path):
    """Built, unpacked, and run where nothing of the checkout is in reach."""
    build = subprocess.run([sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(tmp_path)], cwd=ROOT,
                           capture_output=True, text=True, check=False)
    assert build.returncode == 0, build.stderr
    site, empty = tmp_path / "site", tmp_path / "empty"
    empty.mkdir()
    with zipfile.ZipFile(next(tmp_path.glob("*.whl"))) as wheel:
        wheel.extractall(site)
    program = "import sys, edgefinish; from edgefinish.cli import main; print(edgefinish.__file__); sys.exit(main())"
    run = subprocess.run([sys.executable, "-c", program, "demo", "--workers", "2"], cwd=empty, capture_output=True,
                         text=True, check=False, env={**os.environ, "PYTHONPATH": str(site)})
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith(str(site))
    assert sorted(p.name for p in empty.iterdir()) == ["edgefinish-demo"]
    left = json.loads((empty / "edgefinish-demo" / "windows.json").read_text(encoding="utf-8"))
    verdicts = [w["verdict"] for w in left["windows"]]
    assert verdicts.count("window") * 2 > len(verdicts) >= 9
