"""What is handed in from Python and is not what is wanted: a fault of ours each time, with what to do, no other error.

Outside: the contract's line on errors, "all `ValueError`s, all with the way out; nothing else escapes for bad input".
"""

from __future__ import annotations

import doctest
from dataclasses import fields, replace
from decimal import Decimal
from functools import cache

import numpy as np
import pandas as pd
import pytest
from lines import campaign

import edgefinish as ef

JOB = ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=(0, 12),
             edge_radius_mm=(0.15, 0.9))
AS_NAMES = {f.name: getattr(JOB, f.name) for f in fields(JOB)}


@cache
def log() -> ef.TrialLog:
    return ef.read_log(campaign("usual", 1).log)


@cache
def model() -> ef.LineModel:
    return ef.fit(log())


WRONG = {
    "a window of names and values": (lambda: model().window(AS_NAMES), "from_mapping"),
    "a window of nothing": (lambda: model().window(None), "found 'nothing', wanted a Job"),
    "a starting point of a word": (lambda: model().starting_point("S355"), "wanted a Job"),
    "a share of names and values": (lambda: model().share(AS_NAMES, 2), "wanted a Job"),
    "a response of nothing": (lambda: model().response(None, "edge_radius_mm"), "wanted a Job"),
    "a law of burr of nothing": (lambda: model().burr_law(None), "wanted a Job"),
    "windows of one job": (lambda: model().windows(JOB), r"in brackets: \[job\]"),
    "windows of a table": (lambda: model().windows(pd.DataFrame([AS_NAMES])), "to_dict"),
    "windows of a word": (lambda: model().windows("S355"), "wanted a list of jobs"),
    "windows of a job and nothing": (lambda: model().windows([JOB, None]), "job 2: found 'nothing'"),
    "shares at no speed": (lambda: model().share(JOB, []), "wanted numbers in m/min"),
    "plates of one job": (lambda: ef.next_plates(model(), JOB), r"in brackets: \[job\]"),
    "plates without a model": (lambda: ef.next_plates(log(), [JOB]), "wanted a LineModel"),
    "a width below 1": (lambda: ef.next_plates(model(), [JOB], enough=0.5), "a number above 1"),
    "half a new sheet": (lambda: ef.next_plates(model(), [JOB], most_new=0.5), "a whole number from 0"),
    "materials that are no groups": (lambda: ef.next_plates(model(), [JOB], apart=["304"]), r"\[\['304'\]"),
    "a plan from a path": (lambda: ef.plan_study("study.yaml"), "ef.read_study"),
    "a plan of one job": (lambda: ef.plan(JOB, feed_speed_m_min=(1, 6)), "in brackets"),
    "a plan of no job": (lambda: ef.plan([], feed_speed_m_min=(1, 6)), "a job to plan for"),
    "a plan from fast to slow": (lambda: ef.plan([JOB], feed_speed_m_min=(6, 1)), "the lower first"),
    "a plan at one speed": (lambda: ef.plan([JOB], feed_speed_m_min=6), "the lower first"),
    "a plan of names for a trial": (lambda: ef.plan([JOB], feed_speed_m_min=(1, 6), trial={"plates": 9}), "ef.Trial"),
    "a line from fast to slow": (lambda: ef.Line(feed_speed_m_min=(5, 0.8)), "the lower first"),
    "a line of one speed": (lambda: ef.Line(feed_speed_m_min=(5, 5)), "the lower first"),
    "a grit that is no list": (lambda: ef.Line(grits="P80"), r"\['P60', 'P80'\]"),
    "no grit": (lambda: ef.Line(grits=()), "a list of P-scale grits"),
    "numbers as grits": (lambda: ef.Line(grits=(80,)), "a list of P-scale grits"),
    "a line as names and values": (lambda: ef.fit(log(), line={"feed_speed_m_min": (1, 6)}), "ef.Line"),
    "units of measure": (lambda: ef.fit(log(), units="inches"), "'metric' or 'imperial'"),
    "one height for a word": (lambda: ef.fit(log(), severities={"light": 0.1}), "light: found '0.1', wanted two burr"),
    "heights without words": (lambda: ef.fit(log(), severities=[0.1, 0.2]), "'light'"),
    "a fit of a table": (lambda: ef.fit(log().rows), "ef.read_log"),
    "a fit of nothing": (lambda: ef.fit(None), "ef.read_log"),
    "a study as names and values": (lambda: ef.read_study({"study": "a"}), "path of a study file"),
    "no study": (lambda: ef.open_study(None), "path of a study file"),
    "a job of no names": (lambda: ef.Job.from_mapping(None), "names and values"),
}


@pytest.mark.parametrize("name", WRONG)
def test_what_is_wrong_is_refused_with_what_to_do(name):
    make, says = WRONG[name]
    with pytest.raises(ef.EdgeFinishError, match=says) as told:
        make()
    assert all(p.found and p.wanted and len(str(p)) < 300 for p in told.value.problems)


def test_every_fault_of_a_line_is_told_at_once():
    with pytest.raises(ef.JobError) as told:
        ef.Line(feed_speed_m_min=(5, 0.8), drum_pressure_kPa=60, grits="P80")
    assert [p.column for p in told.value.problems] == ["feed_speed_m_min", "drum_pressure_kPa", "grits"]


def test_arrays_and_exact_decimals_are_numbers_too():
    given = replace(JOB, sheet_hours=np.array([0, 12]), edge_radius_mm=pd.Series([0.15, 0.9]),
                    thickness_mm=Decimal("10.0"), drum_pressure_kPa=np.float32(60))
    assert given == JOB
    assert ef.Line(feed_speed_m_min=np.array([1, 6])) == ef.Line(feed_speed_m_min=[Decimal(1), 6.0])
    for wrong in (np.array(12.0), np.array([[0], [12]]), {0, 12}, "01", Decimal(12)):
        with pytest.raises(ef.JobError, match="sheet_hours"):
            replace(JOB, sheet_hours=wrong)
    with pytest.raises(ef.JobError, match="thickness_mm"):
        replace(JOB, thickness_mm=Decimal("sNaN"))


@pytest.mark.parametrize("name", ["Job", "Line", "Trial", "read_log", "read_study", "plan", "next_plates"])
def test_examples_run_as_they_are_written(name):
    """Pasted into a fresh Python: nothing but what the example itself imports, and the package as `ef`."""
    tests = doctest.DocTestFinder(recurse=False).find(getattr(ef, name), name, globs={"ef": ef})
    assert any(test.examples for test in tests)
    said: list[str] = []
    for test in tests:
        doctest.DocTestRunner(verbose=False).run(test, out=said.append)
    assert not said, "".join(said)


def test_the_tab_key_offers_what_is_for_use():
    offered = [name for name in dir(ef) if not name.startswith("__")]
    assert offered == sorted(ef.__all__)
