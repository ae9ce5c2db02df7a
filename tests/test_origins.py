"""Where uncertainty comes from, and windows over pressure: held against the demo's truth and the model asked anew."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pages
import pytest
import smallstudy

import edgefinish as ef
from edgefinish import origins, pressures
from edgefinish.results import answer
from edgefinish.study import read_study
from edgefinish.units import shown

TRUTH = json.loads((Path(__file__).parents[1] / "data" / "demo" / "truth.json").read_text(encoding="utf-8"))


def _demo():
    told = pages.demo()
    return told, origins.origins(told, pages.issued(told)[0])


def test_parts_of_the_variance_hold_the_truth_of_the_demo():
    told, found = _demo()
    true = TRUTH["spreads (SD of logs)"]
    variance = {"sheet to sheet": true["sheet"] ** 2 + (true["sheet wear per 10 h"] * found.contact_hours / 10) ** 2,
                "plate to plate": true["plate"] ** 2,
                # A Student t of 5 degrees of freedom has 5/3 of its scale's square as variance.
                "edge to edge": true["edge (t, 5 degrees)"] ** 2 * 5 / 3}
    law = found.parts[-1]
    assert sum(p.share for p in found.parts) == pytest.approx(1)
    known = {p.name: p for p in found.parts}
    for name, value in variance.items():
        part, share = known[name], value / sum(variance.values())
        gauge = known["steps of the gauge"].share if name == "edge to edge" else 0.0
        assert part.low / (1 - law.low) <= share <= (part.high + gauge) / (1 - law.high), name


def test_each_bar_lies_within_the_one_above_it_and_the_last_is_the_window():
    told = pages.demo()
    for window in pages.issued(told):
        found = origins.origins(told, window)
        (a, b), (c, d), (e, f) = found.half, found.known, found.promised
        assert a <= c <= e < f <= d <= b
        assert (e, f) == (window.low_m_min, window.high_m_min)
        assert 0 < found.law_costs < 1


def test_more_trials_make_the_laws_better_known_and_nothing_more_alike(tmp_path):
    study = read_study(smallstudy.write(tmp_path))
    shares = []
    for plates in (12, 24):
        rows = smallstudy.trials()
        log = ef.read_log(rows[rows["run"].str[1:].astype(int) % (24 // plates) == 0])
        told = answer(study, log)
        shares.append(origins.origins(told, told.windows[0]).parts[-1].share)
    assert shares[1] < shares[0]


@pytest.mark.parametrize("factor, step, wanted", [(1.0, 0.05, 0.05), (25.4, 0.0005, 0.0127), (25.4, 0.002, 0.0508)])
def test_the_gauge_step_is_seen_in_mm_and_in_inches(factor, step, wanted):
    rows = smallstudy.trials()
    sizes = np.round(rows["edge_radius_mm"].to_numpy() / factor / step).clip(1) * step * factor
    # 1 in is 25.4 mm exactly (NIST SP 811, B.8).
    log = ef.read_log(rows.assign(edge_radius_mm=sizes))
    assert origins.gauge_step_mm(log) == pytest.approx(wanted, rel=1e-9)


def test_no_step_where_radii_are_reckoned():
    rows = smallstudy.trials()
    log = ef.read_log(rows.assign(edge_radius_mm=rows["edge_radius_mm"] * np.pi / 3))
    assert origins.gauge_step_mm(log) == 0.0


def test_windows_over_pressure_are_the_model_s_own():
    told = pages.demo()
    window = pages.issued(told)[0]
    found = pressures.at_pressures(told, window.job, 4)
    places = [w.job.drum_pressure_kPa for w in found]
    tried = told.log.rows.loc[told.log.rows["material"] == window.job.material, "drum_pressure_kPa"]
    least, most = told.study.line.drum_pressure_kPa
    assert places == sorted(places) and window.job.drum_pressure_kPa in places
    assert (places[0], places[-1]) == (max(tried.min(), least), min(tried.max(), most))
    for one in found:
        fresh = told.model.window(replace(window.job, drum_pressure_kPa=one.job.drum_pressure_kPa))
        assert (fresh.low_m_min, fresh.high_m_min, fresh.verdict) == (one.low_m_min, one.high_m_min, one.verdict)


def test_the_widest_window_over_pressure_is_told_by_the_ratio_of_its_ends():
    told = pages.demo()
    for window in pages.issued(told):
        found = [w for w in pressures.at_pressures(told, window.job) if w.verdict == "window"]
        ratios = [w.high_m_min / w.low_m_min for w in found]
        at = found[int(np.argmax(ratios))].job.drum_pressure_kPa
        assert (f"widest at {shown('drum_pressure_kPa', at, 'metric')}, where its fast end is {max(ratios):.2f} times "
                "its slow end:") in pressures.pressures_said(told, window)


def test_pressure_picture_names_what_binds_and_shows_every_setting_tried():
    told = pages.demo()
    window = pages.issued(told)[0]
    fig = pressures.pressure_figure(told, window)
    words = [a.text for a in fig.layout.annotations]
    found = pressures.at_pressures(told, window.job)
    for name in ("binds_low", "binds_high"):
        binds = [getattr(w, name) for w in found if w.verdict == "window"]
        assert max(set(binds), key=binds.count) in words
    rows = told.log.rows[told.log.rows["material"] == window.job.material]
    pairs = set(zip(rows["drum_pressure_kPa"], rows["feed_speed_m_min"], strict=True))
    drawn = {(x, y) for t in fig.data if t.mode == "markers" for x, y in zip(t.x, t.y, strict=True)}
    assert drawn == pairs
    ends = {(round(float(x), 6), round(float(y), 6)) for t in fig.data if t.mode == "lines+markers"
            for x, y in zip(t.x, t.y, strict=True)}
    assert (window.job.drum_pressure_kPa, round(window.low_m_min, 6)) in ends


def test_a_job_that_cannot_be_judged_draws_nothing_and_says_so():
    told = pages.demo()
    job = replace(told.windows[0].job, grit="P36")
    window = ef.SpeedWindow(job=job, verdict="not enough evidence", reasons=("Run more plates.",))
    for picture in (pressures.pressure_figure, origins.origins_figure):
        fig = picture(told, window)
        assert not [t for t in fig.data if t.mode == "lines"]
        assert any("Not enough evidence" in a.text for a in fig.layout.annotations)
