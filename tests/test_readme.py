"""What the README shows is run: the set-up commands, the log, the study file, the verbs, the Python."""

from __future__ import annotations

import os
import re
import subprocess
from pathlib import Path

import pandas as pd
import pytest
import smallstudy

import edgefinish as ef
from edgefinish import cli
from edgefinish.study import read_study

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
TESTS = "pytest -n 2 --dist loadfile"


def blocks(kind: str) -> list[str]:
    """The fenced blocks of one kind, their indent taken off."""
    found = re.findall(rf"^( *)```{kind}\n(.*?)^ *```$", README, re.M | re.S)
    return ["\n".join(line.removeprefix(indent) for line in text.splitlines()) for indent, text in found]


@pytest.fixture
def shop(tmp_path, monkeypatch):
    """A folder with the README's study file and a log whose column names it maps."""
    smallstudy.trials().rename(columns={"feed_speed_m_min": "Belt"}).to_csv(tmp_path / "trials.csv", index=False)
    (tmp_path / "study.yaml").write_text(blocks("yaml")[0], encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_job_stands_at_the_top_in_one_paragraph():
    paragraph = README.split("\n\n")[1]
    for word in ("flame, plasma or laser", "burr", "slag", "sharp edges", "drum-and-brush", "conveyor", "speed window"):
        assert word in " ".join(paragraph.split())


@pytest.mark.parametrize("there", [False, True])
def test_the_two_commands_make_what_is_missing_and_end_where_they_say(tmp_path, there):
    """Run by bash with a stand-in for Python that notes what it is asked to do."""
    commands = blocks("sh")
    assert [len(c.splitlines()) for c in commands] == [1, 1]
    assert commands[0].endswith("edgefinish demo") and commands[1].endswith(TESTS)
    note = '#!/bin/sh\necho "$(basename $0) $*" >> "$NOTES"\n'
    make = note + "mkdir -p .venv/bin\nfor p in pip python edgefinish pytest; do cp \"$STUB\" .venv/bin/$p; done\n"
    tools = tmp_path / "tools"
    tools.mkdir()
    for path, text in ((tools / "python3", make), (tmp_path / "stub", note)):
        path.write_text(text)
        path.chmod(0o755)
    for number, (command, install, last) in enumerate(zip(
            commands, ("-e .", "-e .[test]"), ("edgefinish demo", TESTS), strict=True)):
        place = tmp_path / str(number)
        place.mkdir()
        env = {**os.environ, "PATH": f"{tools}:{os.environ['PATH']}", "NOTES": str(place / "notes"),
               "STUB": str(tmp_path / "stub")}
        if there:
            subprocess.run([tools / "python3"], cwd=place, env={**env, "NOTES": os.devnull}, check=True)
        subprocess.run(["bash", "-euc", command], cwd=place, env=env, check=True)
        notes = [" ".join(line.split()) for line in (place / "notes").read_text().splitlines()]
        made = [] if there else ["python3 -m venv .venv"]
        assert notes == [*made, f"python -m pip install -q {install}", last]


def test_continuous_integration_calls_the_second_command():
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    pattern = re.search(r"grep -E '(.+)' README.md", script).group(1)
    assert [line for line in README.splitlines() if re.search(pattern, line)] == [blocks("sh")[1]]
    assert os.access(ROOT / ".ci" / "run", os.X_OK)
    subprocess.run(["bash", "-n", ROOT / ".ci" / "run"], check=True)


def test_the_log_that_is_shown_is_read():
    lines = [line.strip() for line in README.splitlines() if re.match(r" +\| (run|R01) ", line)]
    table = pd.DataFrame([[c.strip() for c in line.strip("|").split("|")] for line in lines])
    table.columns = table.iloc[0]
    log = ef.read_log(table.iloc[1:].reset_index(drop=True))
    assert log.rows["edge_position"].tolist() == ["leading", "cutout"]
    assert log.reading("edge_radius_mm").side.tolist() == [0, -1]


def test_the_study_file_and_the_verbs_that_are_shown_run(shop, capsys):
    assert read_study("study.yaml").name == "my-first-study"
    for block in blocks("console"):
        for line in block.splitlines():
            words = line.removeprefix("$ edgefinish ").split()
            if words == ["check", "trials.csv"]:
                words[1] = "study.yaml"  # the log needs the study's column map here
            assert cli.main(words) == 0
    assert "Results in" in capsys.readouterr().out
    named = re.findall(r"^\| `([\w./-]+?)/?`(?:, `([\w./-]+)`)? \|", README, re.M)
    assert {n for pair in named for n in pair if n} == {p.name for p in (shop / "my-first-study").iterdir()}


def test_the_job_that_is_shown_can_be_listed(shop):
    job = re.search(r"`(- \{material.*?\})`", README).group(1)
    text = blocks("yaml")[0].replace("jobs: every material and burr severity", f"jobs:\n{job}")
    (shop / "study.yaml").write_text(text, encoding="utf-8")
    assert read_study("study.yaml").listed[0].removal_um == 40


def test_the_python_that_is_shown_runs(shop, capsys):
    smallstudy.trials().to_csv("trials.csv", index=False)
    exec(compile(blocks("python")[0], "README.md", "exec"), {})
    assert capsys.readouterr().out.split()[0] in ("window", "no", "not")


def test_every_file_that_is_named_is_there():
    for name in [*re.findall(r"\]\(([^)#:]+)\)", README), *re.findall(r"`([A-Z]+(?:\.md)?)`", README)]:
        assert (ROOT / name).exists() or name == "STUDY.yaml", name
