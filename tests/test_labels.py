"""Names on pictures: none over another, each name there, in the order in which people count."""

from __future__ import annotations

import re
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pages
import pandas as pd
import pytest
from lines import Plan, Truth, run_trial

import edgefinish as ef
from edgefinish import figures, wear
from edgefinish.cleared import cleared_plates, side_by_side
from edgefinish.expected import Expected, Size
from edgefinish.forms import first_of_each_material
from edgefinish.labels import apart
from edgefinish.planfolder import expected_figure
from edgefinish.pressures import one_a_grit, pressure_figure
from edgefinish.svg import svg

SPACE = "{http://www.w3.org/2000/svg}"
LETTER = 0.55  # width of a letter over its size, for a plain face of the usual width


def _written(fig):
    """What is written on a picture, upright text with the box that it takes: words, left, top, right, bottom."""
    out = []
    for text in ElementTree.fromstring(svg(fig, "f")).iter(f"{SPACE}text"):
        size = float(text.get("font-size", 12))
        for part in [*text.iter(f"{SPACE}tspan")] or [text]:
            if text.get("transform"):
                continue
            x, y, width = float(part.get("x")), float(part.get("y")), LETTER * size * len(part.text)
            left = x - width * {"middle": 0.5, "end": 1.0}.get(text.get("text-anchor"), 0.0)
            out.append((part.text, left, y - 0.75 * size, left + width, y + 0.05 * size))
    return out


def _crossing(fig):
    """Pairs of words that run into each other."""
    seen = _written(fig)
    return [(a[0], b[0]) for k, a in enumerate(seen) for b in seen[:k]
            if min(a[3], b[3]) - max(a[1], b[1]) > 0.5 and min(a[4], b[4]) - max(a[2], b[2]) > 0.5]


@pytest.fixture(scope="module", params=["imperial", "metric"])
def many_names(request, tmp_path_factory):
    """Twelve sheets with long names in imperial units, twenty in metric."""
    count, plates = (12, 72) if request.param == "imperial" else (20, 120)
    here = tmp_path_factory.mktemp("names")
    truth = Truth(materials={"S355J2+N": (0.0, 0.0), "1.4301 (2B) cold rolled": (-0.15, 0.05)})
    log = run_trial(truth, Plan(sheets=count, plates=plates, heavy=0.3), np.random.default_rng(3))
    called = {f"A{k + 1:02d}": f"zirconia lot {k // 4 + 7}, no. {k + 1}" for k in range(count)}
    log.assign(abrasive_sheet=log["abrasive_sheet"].map(called)).to_csv(here / "log.csv", index=False)
    (here / "study.yaml").write_text(f"""study: names
log: log.csv
units: {request.param}
line: {{feed_speed_m_min: [0.8, 6.0]}}
limits: {{edge_radius_mm: [0.2, 0.7], residual_burr_mm: 0.05, removal_um: 40}}
severities: {{moderate: [0.2, 0.6], heavy: [0.6, 1.1]}}
jobs: every material and burr severity
""", encoding="utf-8")
    return ef.open_study(here / "study.yaml")


def _pictures(results):
    yield figures.residual_figure(results)
    for window in first_of_each_material(results.windows):
        yield wear.wear_by_sheet(results, window)
        yield figures.burr_figure(results, window)
        yield figures.radius_by_position(results, window)
    for window in one_a_grit(results, results.windows):
        yield pressure_figure(results, window)


def test_no_word_runs_into_another():
    for fig in _pictures(ef.open_study()):
        assert _crossing(fig) == [], fig.layout.meta["question"]


def test_no_word_runs_into_another_where_sheets_are_many_and_names_long(many_names):
    for fig in _pictures(many_names):
        assert _crossing(fig) == [], fig.layout.meta["question"]


def test_every_position_and_sheet_is_named_under_its_residuals(many_names):
    words = [w[0] for w in _written(figures.residual_figure(many_names))]
    places = [words.index(p) for p in ("leading", "trailing", "lateral", "cut-out")]
    assert places == sorted(places)
    names = [w for w in words if re.search(r"no\. \d+$|^….*\d$", w)]
    assert len(set(names)) == many_names.log.rows["abrasive_sheet"].nunique()
    numbers = [int(re.findall(r"\d+", n)[-1]) for n in names]
    assert numbers == sorted(numbers)


def test_sheets_are_named_beside_the_picture_as_they_end(many_names):
    window = first_of_each_material(many_names.windows)[0]
    fig = wear.wear_by_sheet(many_names, window)
    named = [a for a in fig.layout.annotations if a.xref == "x domain"]
    heights = [a.y for a in named]
    assert heights == sorted(heights) and len({a.text for a in named}) == len(named) >= 2 * wear.NAMED_ENDS
    ends = [t.y for t in fig.data if t.line.dash == "dot"]
    assert [e[1] for e in ends] == heights and [e[0] for e in ends] == sorted(e[0] for e in ends)


def test_marks_of_more_sheets_than_shapes_differ():
    told = ef.open_study()
    rows = told.log.rows
    fig = wear.wear_by_sheet(told, next(w for w in told.windows if w.verdict == "window"))
    marks = [(t.marker.symbol, t.marker.color) for t in fig.data if "markers" in t.mode]
    assert len(set(marks)) == len(marks) and rows["abrasive_sheet"].nunique() > 8


def test_circles_that_would_overlap_are_counted_as_one():
    told = pages.demo()
    window = pages.issued(told)[0]
    plates = cleared_plates(told, window.job)
    marks = side_by_side(plates, 0.5, 0.1)
    assert len(marks) < len(plates) and marks["plates"].sum() == plates["plates"].sum()
    for name in ("speed", "share"):
        assert np.average(marks[name], weights=marks["plates"]) == pytest.approx(
            np.average(plates[name], weights=plates["plates"]))
    gaps = np.hypot(*((marks[n].to_numpy()[:, None] - marks[n].to_numpy()) / s for n, s in
                      (("speed", 0.5), ("share", 0.1))))
    assert gaps[~np.eye(len(marks), dtype=bool)].min() >= 1


def test_that_no_pressure_has_a_window_stands_over_the_readings():
    told = pages.demo()
    window = next(w for w in told.windows if w.verdict == "no window")
    strict = replace(window, job=replace(window.job, residual_burr_mm=0.0, edge_radius_mm=(0.69, 0.7)))
    fig = pressure_figure(told, strict)
    said = next(a for a in fig.layout.annotations if "No pressure tried" in a.text)
    foot = said.y - 14 / 300  # of the words, in shares of the picture's height
    assert max(float(v) for t in fig.data for v in t.y) < foot * fig.layout.yaxis.range[1]


def test_lines_of_a_plan_that_end_together_are_named_apart():
    sizes = [Size(p, s, 4) for s in (3, 4, 8) for p in (12, 24)]
    table = pd.DataFrame([vars(s) for s in sizes]).assign(
        width=[0.30, 0.40, 0.31, 0.41, 0.32, 0.42], chance=0.9, error=0.02, hours=5.0, cost=np.nan)
    fig = expected_figure(Expected(table, table, Size(24, 4, 4), 64, (), ()))
    assert sum(w[0].endswith(" sheets") for w in _written(fig)) == 3 and _crossing(fig) == []


def test_labels_stay_on_the_picture_where_there_is_room():
    assert apart([0.0, 0.0, 0.1], 1.0, 0.0, 9.0).tolist() == [0.0, 1.0, 2.0]
    assert apart([9.0, 9.0], 1.0, 0.0, 9.0).tolist() == [8.0, 9.0]
    assert apart([], 1.0, 0.0, 9.0).tolist() == []
