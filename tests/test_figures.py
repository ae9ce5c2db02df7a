"""Pictures: a question each, units on the axes, readings as logged, limits and window where the numbers put them."""

from __future__ import annotations

import json
from dataclasses import replace
from xml.etree import ElementTree

import numpy as np
import pages
import pytest
from lines import Plan, Truth, run_trial

import edgefinish as ef
from edgefinish import figures, pressures, wear
from edgefinish.drawing import MIME, MOST_READINGS, SHAPES, WINDOW_FILL, figure_json, thin
from edgefinish.svg import svg
from edgefinish.units import in_shown
from edgefinish.wording import speeds

OF_A_JOB = (figures.window_figure, figures.radius_by_position, wear.wear_by_sheet, figures.removal_figure,
            figures.burr_figure)


def _all(results):
    yield figures.overview_figure(results)
    yield figures.residual_figure(results)
    for window in results.windows:
        for picture in OF_A_JOB:
            yield picture(results, window)


def _points(fig):
    return [t for t in fig.data if t.mode == "markers" and t.x[0] is not None]


@pytest.mark.parametrize("system", ["metric", "imperial"])
def test_every_picture_asks_its_question_with_units(system):
    told = pages.demo()
    told = replace(told, windows=told.windows[:2])
    told = replace(told, study=replace(told.study, units=system))
    for fig in _all(told):
        assert fig.layout.meta["question"].endswith("?") and fig.layout.title.text is None
        assert len(fig.layout.meta["text"]) > 40
        assert fig.layout.height
        titles = [a.title.text for a in (*fig.select_xaxes(), *fig.select_yaxes()) if a.title.text]
        assert titles
        for title in titles:
            assert ("ft/min" if system == "imperial" else "m/min") in title or "speed" not in title


def test_window_is_drawn_where_it_is():
    told = pages.demo()
    window = pages.issued(told)[0]
    fig = figures.window_figure(told, window)
    spans = {(s.x0, s.x1) for s in fig.layout.shapes if s.type == "rect"}
    assert spans == {(window.low_m_min, window.high_m_min)}
    lines = [s.y0 for s in fig.layout.shapes if s.type == "line" and s.y0 == s.y1]
    assert 100 * window.job.share in lines
    assert {v for v in window.job.edge_radius_mm if v is not None} <= set(lines)
    assert window.low_m_min < window.recommended_m_min < window.high_m_min
    (point,) = {s.x0 for s in fig.layout.shapes if s.type == "line" and s.x0 == s.x1}
    assert point == float(speeds(window, "metric").set_point) != window.recommended_m_min, "as it is printed"


@pytest.mark.parametrize("confidence, says", [
    (0.9, "10\N{NO-BREAK SPACE}% at most lie below 90\N{NO-BREAK SPACE}%, so the band may reach below that"),
    (0.95, "5\N{NO-BREAK SPACE}% at most lie below 90\N{NO-BREAK SPACE}%, as below the band"),
    (0.99, "1\N{NO-BREAK SPACE}% at most lie below 90\N{NO-BREAK SPACE}%, so the band stays above that")])
def test_the_caption_says_how_deep_in_the_band_the_promise_may_lie(confidence, says):
    """A window at 90 % confidence seemed denied by its own picture, whose band dips below the promise inside it."""
    told = pages.demo()
    window = pages.issued(told)[0]
    window = replace(window, job=replace(window.job, confidence=confidence))
    lines = figures.window_figure(told, window).layout.meta["lines"]
    assert any("5 % lie below it. The promise is one-sided" in text and says in text for text in lines)
    assert not any("one-sided" in text for text in figures.window_figure(told, replace(
        window, verdict="no window", low_m_min=None, high_m_min=None)).layout.meta["lines"])


def test_every_reading_of_the_material_is_under_the_fit():
    told = pages.demo()
    window = pages.issued(told)[0]
    rows = told.log.rows
    reading = told.log.reading("edge_radius_mm")
    mine = (rows["material"] == window.job.material).to_numpy() & ~np.isnan(reading.value)
    if window.job.cut_process:
        mine &= (rows["cut_process"] == window.job.cut_process).to_numpy()
    points = _points(figures.window_figure(told, window))
    drawn = sorted((round(float(x), 9), round(float(y), 9)) for t in points for x, y in zip(t.x, t.y, strict=True))
    logged = sorted(zip(rows["feed_speed_m_min"][mine].round(9), reading.value[mine].round(9), strict=True))
    assert drawn == [tuple(map(float, p)) for p in logged]


def test_censored_readings_are_open_triangles_at_the_limit():
    told = pages.demo()
    side = told.log.reading("edge_radius_mm").side
    assert (side != 0).any()
    row = int(np.flatnonzero(side != 0)[0])
    material = told.log.rows["material"].iloc[row]
    window = next(w for w in told.windows if w.job.material == material)
    open_ones = [t for t in _points(figures.window_figure(told, window)) if str(t.marker.symbol).startswith("triangle")]
    assert {t.marker.symbol for t in open_ones} <= {"triangle-down-open", "triangle-up-open"}
    value = told.log.reading("edge_radius_mm").value[row]
    assert any(np.isclose(t.y, value).any() for t in open_ones)


def test_shown_in_feet_where_the_study_says_so():
    told = pages.demo()
    window = pages.issued(told)[0]
    metric, imperial = (figures.window_figure(replace(told, study=replace(told.study, units=s)), window)
                        for s in ("metric", "imperial"))
    # 1 ft is 0.3048 m exactly (NIST SP 811, B.8).
    for a, b in zip(_points(metric), _points(imperial), strict=True):
        np.testing.assert_allclose(np.asarray(b.x, float) * 0.3048, np.asarray(a.x, float), rtol=1e-9)
    assert float(in_shown("feed_speed_m_min", 0.3048, "imperial")) == pytest.approx(1.0)


def test_positions_differ_by_shape_and_not_by_colour_alone():
    told = pages.demo()
    points = _points(figures.window_figure(told, pages.issued(told)[0]))
    shapes = {t.legendgroup: t.marker.symbol for t in points if not str(t.marker.symbol).startswith("triangle")}
    assert len(set(shapes.values())) == len(shapes) > 1
    assert shapes == {p: SHAPES[p] for p in shapes}


def _refused(job, verdict="not enough evidence"):
    return ef.SpeedWindow(job=job, verdict=verdict, reasons=("Run more plates.",))


@pytest.mark.parametrize("verdict", ["no window", "not enough evidence"])
def test_no_window_no_shade_but_the_curve_that_says_why(verdict):
    told = pages.demo()
    for picture in OF_A_JOB:
        fig = picture(told, _refused(pages.issued(told)[0].job, verdict))
        assert not [s for s in fig.layout.shapes if s.type == "rect"]
        assert [t for t in fig.data if t.mode == "lines"]


def test_a_word_instead_of_a_curve_where_the_trials_cannot_judge():
    told = pages.demo()
    job = replace(pages.issued(told)[0].job, drum_pressure_kPa=500.0)
    for picture in OF_A_JOB:
        assert not [t for t in picture(told, _refused(job)).data if t.mode == "lines"]
    assert "Not enough evidence" in str(figures.window_figure(told, _refused(job)).layout.annotations)


def test_a_picture_of_nothing_has_no_numbers_on_its_axes():
    told = pages.demo()
    fig = wear.wear_by_sheet(told, _refused(replace(pages.issued(told)[0].job, drum_pressure_kPa=500.0)))
    assert not fig.data
    drawn = ElementTree.fromstring(svg(fig, "f"))
    words = {"".join(t.itertext()) for t in drawn.iter() if t.tag.endswith("}text")}
    assert words and not [w for w in words if w[:1].isdigit()]


def test_untried_material_draws_and_says_so():
    told = pages.demo()
    window = _refused(replace(told.windows[0].job, material="never"))
    assert "No run of never" in str(figures.window_figure(told, window).layout.annotations)
    for picture in OF_A_JOB[1:]:
        assert picture(told, window).layout.height


def test_overview_has_a_bar_for_each_window_and_a_word_for_each_refusal():
    told = pages.demo()
    fig = figures.overview_figure(told)
    bars = [tuple(t.x) for t in fig.data if t.mode == "lines" and t.line.width == 9]
    assert bars == [(w.low_m_min, w.high_m_min) for w in pages.issued(told)]
    words = [a.text for a in fig.layout.annotations]
    assert len(words) == 2 * len(told.windows)
    assert words.count("no window") == sum(w.verdict == "no window" for w in told.windows)


def test_figures_are_plain_lists_of_six_digits():
    told = pages.demo()
    for fig in (figures.residual_figure(told), *(draw(told, told.windows[0]) for draw in OF_A_JOB)):
        text = json.dumps(figure_json(fig), allow_nan=False)
        assert "bdata" not in text and "template" not in json.loads(text)["layout"]

        def walk(value):
            if isinstance(value, dict):
                value = list(value.values())
            if isinstance(value, list):
                for v in value:
                    walk(v)
            elif isinstance(value, float):
                assert value == float(f"{value:.6g}")
        walk(json.loads(text))


def test_same_picture_twice():
    told = pages.demo()
    for picture in OF_A_JOB[:2]:
        assert figure_json(picture(told, told.windows[0])) == figure_json(picture(told, told.windows[0]))


def test_names_cannot_break_out_of_a_picture():
    told = pages.hostile()
    for fig in _all(replace(told, windows=told.windows[:2])):
        text = json.dumps(figure_json(fig)["data"]) + str([a.text for a in fig.layout.annotations])
        assert "<img" not in text and "%{x} $" not in text


def test_readings_are_thinned_evenly_in_a_huge_log():
    picked = thin(np.arange(100_000))
    assert len(picked) == MOST_READINGS and picked[0] == 0 and picked[-1] == 99_999
    assert np.diff(picked).max() <= np.diff(picked).min() + 1


@pytest.fixture(scope="module")
def long_told(tmp_path_factory):
    here = tmp_path_factory.mktemp("long")
    run_trial(Truth(), Plan(sheets=20, plates=1000), np.random.default_rng(4)).to_csv(here / "log.csv", index=False)
    (here / "study.yaml").write_text("""study: long
log: log.csv
units: metric
limits: {edge_radius_mm: [0.2, 0.7], residual_burr_mm: 0.05, removal_um: 40}
severities: {moderate: [0.2, 0.6]}
jobs: every material and burr severity
""", encoding="utf-8")
    return ef.open_study(here / "study.yaml")


def test_a_long_log_is_drawn_in_few_marks_and_says_so(long_told):
    window = long_told.windows[0]
    for picture in (figures.window_figure, figures.radius_by_position, figures.removal_figure):
        fig = picture(long_told, window)
        drawn = sum(len(t.x) for t in fig.data if t.mode == "markers" and t.x[0] is not None)
        assert drawn <= 2 * MOST_READINGS
        assert f"{drawn} of 4000 readings are drawn, picked evenly." in fig.layout.meta["lines"]
    fig = figures.residual_figure(long_told)
    assert f"{MOST_READINGS} of 4000 readings are drawn, picked evenly." in fig.layout.meta["lines"]
    assert fig.layout.meta["lines"][0].endswith("of 4000.")  # and no word of triangles, which this log has none of


def test_edges_without_a_reading_do_not_count_as_readings(long_told):
    log = long_told.log
    few = log.rows.assign(edge_radius_mm=log.rows["edge_radius_mm"].where(np.arange(len(log.rows)) % 4 > 0))
    told = replace(long_told, log=ef.read_log(few))
    fig = figures.window_figure(told, told.windows[0])
    assert f"{MOST_READINGS} of 3000 readings are drawn, picked evenly." in fig.layout.meta["lines"]


def test_of_many_sheets_those_that_end_furthest_apart_are_named(long_told):
    fig = wear.wear_by_sheet(long_told, long_told.windows[0])
    named = [a.text for a in fig.layout.annotations if a.text.startswith("A")]
    assert len(set(named)) == 2 * wear.NAMED_ENDS
    assert "named: the 6 of 20 sheets" in fig.layout.meta["lines"][1]


def test_burr_of_many_plates_is_drawn_by_speed(long_told):
    window = long_told.windows[0]
    points, = _points(figures.burr_figure(long_told, window))
    rows = long_told.log.rows
    assert 10 <= len(points.x) <= 12 and sum(int(n) for n in points.text) == rows["run"].nunique()
    cleared = np.average(points.y, weights=[int(n) for n in points.text])
    assert cleared == pytest.approx(100 * (rows["residual_burr_mm"] <= 0.05).mean(), abs=0.01)
    assert list(points.x) == sorted(points.x)


def test_the_fit_is_drawn_over_the_readings():
    told = pages.demo()
    window = pages.issued(told)[0]
    for picture in (figures.radius_by_position, wear.wear_by_sheet, figures.removal_figure):
        fig = picture(told, window)
        where = [t.xaxis or "x" for t in fig.data]
        for panel in set(where):
            marks, fits = ([k for k, t in enumerate(fig.data) if where[k] == panel and kind in t.mode]
                           for kind in ("markers", "lines"))
            fits = [k for k in fits if k not in marks]
            assert marks and fits and max(marks) < min(fits)


def _of_positions(told, *positions):
    rows = told.log.rows
    return replace(told, log=ef.read_log(rows[rows["edge_position"].isin(positions)].reset_index(drop=True)))


@pytest.mark.parametrize("positions", [("trailing",), ("leading", "trailing", "cutout")])
def test_nothing_is_drawn_where_no_edge_position_is(positions):
    told = _of_positions(pages.demo(), *positions)
    fig = figures.radius_by_position(told, pages.issued(told)[0])
    panels = {t.xaxis or "x" for t in fig.data}
    assert len(panels) == len(positions)
    assert {s.xref.removesuffix(" domain") for s in fig.layout.shapes} == panels
    assert {a.plotly_name.replace("axis", "") for a in fig.select_xaxes()} == panels
    # the lowest panel of each column has its numbers and its title
    named = [a for a in fig.select_xaxes() if a.title.text]
    assert len(named) == min(2, len(positions)) and all(a.showticklabels is not False for a in named)
    drawn = ElementTree.fromstring(svg(fig, "f"))
    assert sum(e.tag.endswith("}rect") and e.get("fill") == WINDOW_FILL for e in drawn.iter()) == len(positions)


def _said(fig):
    return " ".join(fig.layout.meta["lines"])


@pytest.mark.parametrize("verdict", ["window", "no window"])
def test_captions_name_what_is_drawn(verdict):
    told = pages.demo()
    window = pages.issued(told)[0]
    window = window if verdict == "window" else _refused(window.job, verdict)
    for picture in OF_A_JOB:
        assert "band: 90 %" in (said := _said(picture(told, window))) or "90 % band" in said
    wear_said = _said(wear.wear_by_sheet(told, window))
    assert all(word in wear_said for word in ("Points:", "Solid:", "band:", "dashed:"))


def test_captions_do_not_name_what_is_not_drawn():
    told = pages.demo()
    job = replace(pages.issued(told)[0].job, drum_pressure_kPa=500.0)
    for picture in OF_A_JOB:
        said = _said(picture(told, _refused(job))).lower()
        assert not [word for word in ("band", "solid", "dashed", "line:") if word in said], picture
    assert "Upper panel" not in figures.window_figure(told, _refused(job)).layout.meta["text"]
    fresh = replace(pages.issued(told)[0].job, sheet_hours=(3.0, 3.0))
    fig = figures.radius_by_position(told, _refused(fresh, "no window"))
    assert "Solid: middle edge at 3 h; band: 90 % of future edges at this age." in _said(fig)
    assert not [t for t in fig.data if t.line.dash == "dash"]


def test_the_picture_of_pressures_names_the_grits_that_were_run():
    told = pages.demo()
    window = pages.issued(told)[0]
    rows = told.log.rows
    other = rows.assign(grit=rows["grit"].where(rows["run"].factorize()[0] % 2 > 0, "P36"))
    alone = rows[(rows["material"] == window.job.material) & (rows["grit"] == window.job.grit)]
    circles, dots = f"Circles: pressures and speeds tried with {window.job.grit}", "mall dots: "
    for some, both in ((other, True), (alone, False)):
        fig = pressures.pressure_figure(replace(told, log=ef.read_log(some.reset_index(drop=True))), window)
        said = _said(fig)
        assert circles in said and (dots in said) == both and ("Grey: the window" in said)
        assert both == any(t.mode == "markers" and t.marker.symbol == "circle" for t in fig.data)


@pytest.mark.parametrize(("verdicts", "words"), [
    (["window"], "The job has a window. Bar"), (["no window"], "The job has no window."),
    (["window", "no window"], "1 of 2 jobs has a window. Bar"),
    (["window", "window"], "2 of 2 jobs have a window. Bar"),
    (["no window", "no window"], "0 of 2 jobs have a window.")])
def test_how_many_jobs_have_a_window_is_said_in_plain_english(verdicts, words):
    told = pages.demo()
    window = pages.issued(told)[0]
    windows = tuple(window if v == "window" else _refused(window.job, v) for v in verdicts)
    said = _said(figures.overview_figure(replace(told, windows=windows)))
    assert said.startswith(words) and ("Bar: the window" in said) == ("window" in verdicts)


def test_triangles_are_named_where_a_reading_lies_beyond_the_gauge(long_told):
    for told in (pages.demo(), long_told):
        beyond = (told.log.reading("edge_radius_mm").side != 0).any()
        assert ("Triangles" in _said(figures.residual_figure(told))) == beyond


def test_a_notebook_holds_a_drawing_of_each_figure_too(monkeypatch):
    """Pages made of the notebooks showed no picture: such programs know nothing of plotly."""
    shown: list[dict] = []
    monkeypatch.setattr("IPython.display.display", lambda data, raw: shown.append(data))
    for fig in _all(pages.demo()):
        figures.show(fig)
    drawn = [data["image/svg+xml"] for data in shown if MIME in data]
    assert len(drawn) == len(set(drawn)) > 5
    for text in drawn:
        assert text.startswith('<svg width="600"') and ElementTree.fromstring(text).tag.endswith("svg")
