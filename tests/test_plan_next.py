"""What to run next: proposals that can be run, gains in the right order, when to stop."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pandas as pd
import pytest
from lines import campaign
from smallstudy import STUDY, write

import edgefinish as ef
from edgefinish import foreseen, forms
from edgefinish.foreseen import Asked
from edgefinish.forms import more_plates, more_plates_said
from edgefinish.imagined import blank_log, filled, imagine
from edgefinish.nextplates import _choose, _State
from edgefinish.nextsaid import asked_besides
from edgefinish.report import report_html


@pytest.fixture(scope="module")
def asked():
    """A fitted line on four sheets, and a job that has a window."""
    trial = campaign("four sheets", 5)
    return trial, ef.fit(ef.read_log(trial.log)), trial.job("sheet life")[0]


@pytest.fixture(scope="module")
def told(asked):
    """The answer for four plates."""
    return ef.next_plates(asked[1], [asked[2]])


def test_what_is_proposed_can_be_run(asked, told):
    trial, model, job = asked
    assert 1 <= len(told.plates) <= 4
    last = trial.log.groupby("abrasive_sheet")["contact_hours"].max()
    grit = trial.log.groupby("abrasive_sheet")["grit"].first()
    for plate in told.plates.itertuples():
        assert trial.tried[0] <= plate.feed_speed_m_min <= trial.tried[1]
        assert job.sheet_hours[0] <= plate.contact_hours <= max(job.sheet_hours[1], last.max())
        if plate.abrasive_sheet.startswith("new"):
            assert plate.grit == job.grit
        else:  # a sheet only grows older, and keeps its grit
            assert plate.contact_hours >= last[plate.abrasive_sheet] and plate.grit == grit[plate.abrasive_sheet]
    assert told.plates["abrasive_sheet"].str.startswith("new").groupby(told.plates["abrasive_sheet"]).all().sum() <= 2


def test_more_plates_and_newer_sheets_never_gain_less(asked, told):
    _, model, job = asked
    gains = [float(ef.next_plates(model, [job], plates=k, only_new=0).options["gain_log"].iloc[0]) for k in (1, 2, 4)]
    assert 0 <= gains[0] <= gains[1] + 1e-9 <= gains[2] + 2e-9
    assert told.options["new_sheets"].tolist() == [0, 1, 2]
    assert told.options["gain_log"].iloc[1] > told.options["gain_log"].iloc[0]  # few sheets: a new one is worth more


def test_the_precision_after_is_that_of_a_log_with_those_plates(asked):
    # By direct inversion of the whole covariance matrix of old and new plates.
    trial, model, job = asked
    state = _State.of(model, [model.window(job)], [Asked.of(model, job)])
    chosen, loss = _choose(state, 3, 1)
    columns = np.concatenate([state.columns, state.spots.columns[chosen]])
    sheet = np.r_[state.sheet, state.spots.sheet[chosen]]
    plate = state.sd[1] ** 2 + state.sd[2] ** 2 / np.r_[trial.log.groupby(["abrasive_sheet", "run"]).size(), [4] * 3]
    whole = np.diag(plate) + state.sd[0] ** 2 * (sheet[:, None] == sheet)
    precision = state.prior + columns.T @ np.linalg.inv(whole) @ columns
    np.testing.assert_allclose(state.losses(precision, state.sheets + 1, state.count + 3), loss, rtol=1e-6)
    assert len({s for s in state.spots.sheet[chosen] if s >= state.sheets}) == 1


def test_the_units_shown_do_not_change_when_to_stop(asked):
    # The gain lies between 0.1 m/min and 1 ft/min, 0.3048 m exactly (NIST SP 811, B.8).
    trial, model, job = asked
    in_feet = ef.next_plates(ef.fit(ef.read_log(trial.log), units="imperial"), [job], plates=2)
    told = ef.next_plates(model, [job], plates=2)
    assert 0.1 < told.options["gain_m_min"].max() < 0.3048
    assert (in_feet.stop, told.stop) == (False, False)


def test_it_is_said_in_sentences(asked, told):
    assert ("Stop" in told.said) == told.stop
    assert "on average about" in told.said and "comes out narrower, or is lost" in told.said
    assert "0 new" not in told.said and "no new sheets" in told.said and "m/min" in told.said


def test_stop_when_windows_are_as_wide_as_asked(asked):
    _, model, job = asked
    window = model.window(job)
    ratio = window.high_m_min / window.low_m_min
    stopped = ef.next_plates(model, [job], enough=ratio * 0.99)
    assert stopped.stop and stopped.plates.empty and "as wide as was asked for" in stopped.said
    assert not ef.next_plates(model, [job], plates=1, enough=ratio * 1.5).plates.empty


def test_where_nothing_can_be_proposed_it_is_said(asked):
    _, model, job = asked
    strange = ef.Job(material="unheard of", thickness_mm=8, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 0.6))
    nothing = ef.next_plates(model, [strange])
    assert nothing.plates.empty and nothing.stop and nothing.said.startswith("No plate is proposed")
    assert ef.next_plates(model, []).plates.empty
    with pytest.raises(ef.JobError, match="a whole number from 1 to 6"):
        ef.next_plates(model, [job], plates=7)


def test_the_same_answer_for_rows_in_another_order(asked, told):
    trial, _, job = asked
    other = ef.fit(ef.read_log(trial.log.sample(frac=1.0, random_state=1)))
    pd.testing.assert_frame_equal(ef.next_plates(other, [job]).plates, told.plates)


def test_the_report_proposes_plates_where_the_study_asks(tmp_path):
    heading = "More plates for wider windows, and when to stop"
    silent = ef.open_study(write(tmp_path))
    assert heading not in report_html(silent) and "next_plates: 4" in more_plates_said(silent)
    asked = ef.open_study(write(tmp_path, STUDY + "next_plates: 3\n"))
    said = more_plates_said(asked)
    assert heading in report_html(asked)
    assert said.startswith(asked_besides(asked.windows) + " ") and "those stand with them, and come first. " in said
    assert "For wider windows run 3 more plates" in said or "Beyond those plates, stop:" in said
    assert "Expected of 3 more plates" in said
    assert more_plates(silent) is None
    with pytest.raises(ef.StudyError, match="a whole number from 1 to 6"):
        ef.open_study(write(tmp_path, STUDY + "next_plates: 9\n"))


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_plates_stand_in_a_table_that_is_read_at_the_line(asked, tmp_path, units):
    trial, _, job = asked
    trial.log.to_csv(tmp_path / "trials.csv", index=False)
    low, high = job.edge_radius_mm
    (tmp_path / "study.yaml").write_text(STUDY.replace("units: metric", f"units: {units}").replace(
        "share: 0.80, confidence: 0.80", "share: 0.90, confidence: 0.95").replace(
        "jobs: every material and burr severity", f"""jobs:
- {{material: {job.material}, thickness_mm: {job.thickness_mm:g}, drum_pressure_kPa: {job.drum_pressure_kPa:g},
   grit: {job.grit}, sheet_hours: [0, 12], edge_radius_mm: [{low}, {high}], residual_burr_mm: 0.1,
   burr_severity: moderate}}
next_plates: 4"""), encoding="utf-8")
    results = ef.open_study(tmp_path / "study.yaml")
    told = ef.next_plates(results.model, [w.job for w in results.windows], plates=4)
    table = more_plates(results)
    assert not told.stop and len(table.cells) == len(told.plates) == 4
    speed, pressure, size = ("m/min", "kPa", "mm") if units == "metric" else ("ft/min", "psi", "in")
    assert list(table.frame.columns) == [
        "plate", "sheet", "sheet age, h", f"feed speed, {speed}", f"drum pressure, {pressure}", "grit", "passes",
        "material", f"thickness, {size}", "burr"]
    assert list(table.frame["sheet"]) == list(told.plates["abrasive_sheet"])
    assert list(table.frame["burr"]) == list(told.plates["burr_severity"])
    # 1 ft is 0.3048 m exactly (NIST SP 811, B.8); what is shown is rounded to 0.1 m/min or 1 ft/min.
    factor, step = (1.0, 0.05) if units == "metric" else (0.3048, 0.5 * 0.3048)
    np.testing.assert_allclose(table.frame[f"feed speed, {speed}"].astype(float) * factor,
                               told.plates["feed_speed_m_min"], atol=1.001 * step)
    page = report_html(results)
    assert table.markup() in page and "Plates: " not in page


def test_heavy_burr_is_weighed_where_burr_is_promised():
    trial = campaign("four sheets", 5)
    model, job = ef.fit(ef.read_log(trial.log)), trial.job("all limits")[0]
    told = ef.next_plates(model, [job], plates=2, only_new=1)
    assert told.options["heavy_burr"].tolist() == [False, True]
    assert set(told.plates["burr_severity"]) <= {"heavy", job.burr_severity}
    assert (told.options["gain_log"] >= 0).all()


def test_what_burr_plates_clear_moves_the_law_of_burr():
    """Outcomes of a line that clears more than is thought weigh draws that clear more."""
    left = []
    for seed in (4, 5, 6):
        trial = campaign("four sheets", seed)
        model, job = ef.fit(ef.read_log(trial.log)), trial.job("all limits")[0]
        asked = Asked.of(model, job)
        plates = pd.DataFrame([{
            "material": "S355", "thickness_mm": job.thickness_mm, "feed_speed_m_min": v, "grit": job.grit, "passes": 1,
            "drum_pressure_kPa": job.drum_pressure_kPa, "contact_hours": 4.0, "abrasive_sheet": f"new {k}",
            "burr_severity": "heavy"} for v in (2.0, 3.0, 4.0) for k in (1, 2)])
        truth = foreseen._truths(len(asked.node))
        seen = foreseen._Plates(asked.fitted, plates)
        seen.log_weights(asked.node, asked.coef, truth)
        fitted = model.burr_fit(job)
        weight = np.exp(foreseen._burr_weights(model, fitted, asked, seen, plates, truth))
        weight /= weight.sum(1, keepdims=True)
        level, slope, height = fitted.draws(len(asked.node), 0)
        clears = level + slope * np.log(0.35) + height * np.log(0.85 / 0.3)
        true, after = clears[truth], weight @ clears
        assert np.corrcoef(true, after)[0, 1] > 0.5
        left.append(np.mean((after - true) ** 2) / np.mean((clears.mean() - true) ** 2))
    assert np.mean(left) < 0.7 and max(left) < 0.85  # 24 outcomes of each trial


def test_plates_are_proposed_where_a_window_is_likely_but_not_sure():
    trial = campaign("four sheets", 5)
    job = trial.job("sheet life")[0]
    low, high = job.edge_radius_mm
    model = ef.fit(ef.read_log(trial.log))
    for narrower in np.linspace(1.0, 1.3, 25):
        tight = ef.Job(**{f.name: getattr(job, f.name) for f in fields(ef.Job)} | {
            "edge_radius_mm": (round(low * narrower, 3), round(high / narrower, 3))})
        window = model.window(tight)
        if window.verdict == "not enough evidence" and Asked.of(model, tight).likely() is not None:
            break
    assert window.verdict == "not enough evidence" and "a window may be there" in window.reasons[-1]
    told = ef.next_plates(model, [tight], plates=6, only_new=2)
    assert len(told.plates) == 6 and told.options["gain_log"].iloc[0] > 0
    assert "A job without a window counts as 0" in told.said


    assert window.remedies[-1].startswith("Run 3 plates") and not any(window.remedies[:-1])
    first = "1 job without a window asks for plates of its own: those stand with it, and come first."
    assert told.said.startswith(f"{first} For wider windows run 6 more plates")
    hopeless = ef.Job(**{f.name: getattr(job, f.name) for f in fields(ef.Job)} | {"grit": "P36"})
    few = ef.next_plates(model, [hopeless, tight], plates=1, only_new=0)
    assert few.stop and few.said.startswith(
        "2 jobs without a window ask for plates of their own: those stand with them, and come first. Beyond those "
        "plates, stop for 1 of 2 jobs, with a window or an even chance of one: ")


def test_to_stop_is_not_said_without_what_comes_first():
    """All plates were run at two speeds, and nothing but that ends the window: no further plate at those gains
    anything, and beyond them much may be gained."""
    trial = campaign("four sheets", 5)
    job, rows = trial.job("sheet life")[0], trial.log
    turn = rows["run"].rank(method="dense") % 2
    rows = rows.assign(feed_speed_m_min=rows["feed_speed_m_min"].median() * np.where(turn, 1.0, 1.1))
    model = ef.fit(ef.read_log(rows))
    wide = ef.Job(**{f.name: getattr(job, f.name) for f in fields(ef.Job)} | {"edge_radius_mm": (0.05, 2.0)})
    window, told = model.window(wide), ef.next_plates(model, [wide])
    assert window.binds_low == "the slowest speed tried" and window.binds_high == "the fastest speed tried"
    assert told.stop and "Stop" not in told.said and "may gain" in told.said
    assert told.said.startswith("1 window asks for plates of what was not run, or seldom: those stand with it, and "
                                "come first. Beyond those plates, stop: from plates at the speeds tried")
    assert any("Slower and faster speeds were not tried" in remedy for remedy in window.remedies)


def test_of_a_job_with_a_window_nothing_is_said_of_jobs_without(told):
    assert "without a window" not in told.said


def test_materials_that_are_kept_apart_get_no_sheet_in_common(tmp_path, monkeypatch):
    jobs = [ef.Job(material=m, thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 0.7), share=0.8)
            for m in ("S355", "304")]
    apart = (("304",), ("S355",))
    plan = ef.plan(jobs, feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=18, sheets=6, apart=apart))
    line, _ = imagine(plan, jobs, 1, seed=2)
    log = filled(blank_log(plan, plan.rows), plan, line, 0, (2, 1))
    model, met = ef.fit(log), log.rows.groupby("abrasive_sheet")["material"].agg(set).to_dict()
    together = []
    for groups in ((), apart):
        told = [ef.next_plates(model, jobs, plates=6, only_new=new, apart=groups) for new in (0, 1, 2)]
        assert all(len(t.plates) == 6 for t in told)
        together.append(sum(len(some | met.get(sheet, set())) > 1 for t in told
                            for sheet, some in t.plates.groupby("abrasive_sheet")["material"].agg(set).items()))
        assert any("Stainless steel must not" in t.said for t in told) == (together[-1] > 0)
    assert together[0] > 0 and together[1] == 0
    asked = {}
    monkeypatch.setattr(forms, "next_plates", lambda model, jobs, **given: asked.update(given))
    more_plates(ef.open_study(write(tmp_path, STUDY + "next_plates: 2\ntrial: {apart: [[304], [S355]]}\n")))
    assert asked == {"plates": 2, "apart": apart}
