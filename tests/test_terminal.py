"""What a terminal shows: a bar with the time left, colour and wrapping only there, pure JSON and silence on request."""

from __future__ import annotations

import json
import os
import re
import sys

import pexpect
import pytest
import smallstudy

from edgefinish.terminal import in_columns, wrapped

# One notebook is enough for what is printed; the four are run elsewhere.
PROGRAM = ("import sys; from edgefinish import cli, runner; runner.FORMS = runner.FORMS[:1]; "
           "sys.exit(cli.main(sys.argv[1:]))")
ESCAPE = re.compile(r"\x1b\[[0-9;]*m")


@pytest.fixture(scope="module")
def study(tmp_path_factory):
    """The small study with a radius that no speed reaches for one of its jobs."""
    job = "{thickness_mm: 10, drum_pressure_kPa: 60, grit: P80, sheet_hours: [0, 8], material"
    return smallstudy.write(tmp_path_factory.mktemp("terminal"), smallstudy.STUDY.replace(
        "jobs: every material and burr severity",
        f'jobs:\n - {job}: S355}}\n - {job}: "0304", edge_radius_mm: [2.0, 2.1]}}'))


def _on_a_terminal(study, *options, columns=100, **environment):
    """All that the terminal got, and the exit code."""
    child = pexpect.spawn(sys.executable, ["-c", PROGRAM, "run", str(study), *options], dimensions=(40, columns),
                          timeout=240, encoding="utf-8",
                          env={**{k: v for k, v in os.environ.items() if k not in ("NO_COLOR", "COLUMNS")},
                               "TERM": "xterm", **environment})
    said = child.expect(pexpect.EOF) or child.before
    child.close()
    return said, child.exitstatus


def test_a_terminal_gets_a_bar_with_time_left_a_table_and_colour(study):
    said, code = _on_a_terminal(study)
    assert code == 0
    assert re.search(r"fit and windows +\d+ % \|.*\| \d\d:\d\d gone, about (\d\d:\d\d|\?) left", said)
    assert "\x1b[31mno window\x1b[0m" in said and "% |" not in said[said.index("Results in"):]
    table = ESCAPE.sub("", said)
    assert re.search(r"S355, 10 mm +\d\.\d\d? to \d\.\d\d? m/min +\d\.\d\d? m/min", table)
    lines = ESCAPE.sub("", said[said.index("set point"):]).splitlines()
    assert max(len(line) for line in lines if not line.startswith("Results in")) <= 100


def test_without_colour_where_it_is_not_wanted(study):
    for environment in ({"NO_COLOR": "1"}, {"TERM": "dumb"}):
        said, code = _on_a_terminal(study, columns=60, **environment)
        assert code == 0 and not ESCAPE.search(said) and "no window" in said


def test_json_is_all_that_is_said_and_quiet_says_nothing(study):
    said, code = _on_a_terminal(study, "--json")
    assert code == 0 and len(json.loads(said)["windows"]) == 2
    assert _on_a_terminal(study, "--quiet") == ("", 0)


def test_a_narrow_terminal_loses_last_columns_and_no_words():
    rows = [["job", "window", "settings"], ["S355, 10 mm", "1.5 to 2.5 m/min", "60 kPa, P80"]]
    assert [len(line.split("  ")) for line in in_columns(rows, 30)][1] == 2
    assert in_columns(rows, 200) == in_columns(rows)
    text = "S355, heavy burr, 10 mm: no window. " + "Run three plates on each of two new sheets. " * 4
    assert " ".join(wrapped(text, 40).split()) == " ".join(text.split())
    assert max(map(len, wrapped(text, 40).splitlines())) <= 40 and wrapped(text, None) == text
