"""No line and no job, however odd, may bring an error or a window that its own draws deny."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import smallstudy
from anyline import jobs, judge, trial
from lines import campaign
from scipy.special import stdtr

import edgefinish as ef
from edgefinish import posterior
from edgefinish.chances import LogChances
from edgefinish.report import report_html
from edgefinish.results import open_study


def too_rough():
    """Rows and a job: edges alike to 3 %, plates far apart, half of them below the gauge.

    Newton's usual steps come to rest at few nodes; what came of them hung on the last digits.
    """
    rng = np.random.default_rng([4054, 5])
    rows = trial(rng)
    job = next(jobs(rows, rng, 1))
    return rows[rows["material"] == job.material], job


ODD = {
    "one speed": lambda rows: rows.assign(feed_speed_m_min=1.7),
    "one plate": lambda rows: rows[rows["run"] == "R00"],
    "one sheet": lambda rows: rows.assign(abrasive_sheet="A0", contact_hours=np.arange(len(rows)) // 4 * 0.5),
    "all below the gauge": lambda rows: rows.assign(edge_radius_mm="<1.5"),
    "one position": lambda rows: rows[rows["edge_position"] == "cutout"],
    "a posterior too rough to lay out": lambda rows: too_rough()[0],
    "any line": lambda rows: trial(np.random.default_rng([11, 3])),
}


@pytest.mark.parametrize("seed", [*range(70000, 70012), 1066])
def test_any_line_gets_an_answer_that_its_own_draws_stand_behind(seed):
    """`tests/bench/anylines.py` tries many more; what it found once is among these."""
    came, missed = judge(seed)
    assert came.total() in (1, 4) and not missed


@pytest.mark.parametrize("name", ODD)
def test_a_report_can_be_made_of_any_log(tmp_path, name):
    study = smallstudy.write(tmp_path, smallstudy.STUDY + "next_plates: 2\n")
    ODD[name](smallstudy.trials()).to_csv(tmp_path / "trials.csv", index=False)
    results = open_study(study)
    page = report_html(results)
    assert results.windows and all(w.job.material in page for w in results.windows)


def test_a_report_can_be_made_where_words_alone_tell_a_burr_that_was_run_at_one_pressure(tmp_path):
    """Points of other pressures are moved to the job's by the law of the radius, whatever is known of burr there."""
    study = smallstudy.write(tmp_path, smallstudy.STUDY.replace("0.9]}", "0.9], residual_burr_mm: 0.05}"))
    rows = smallstudy.trials()
    heavy = rows["burr_severity"] == "heavy"
    left = np.where(heavy & (rows["feed_speed_m_min"] > 2), (0.3 * rows["edge_radius_mm"]).round(2), 0.0)
    rows = rows.assign(drum_pressure_kPa=np.where(heavy, 50, 60), burr_height_mm=np.where(heavy, 0.7, np.nan),
                       residual_burr_mm=left)
    rows.to_csv(tmp_path / "trials.csv", index=False)
    results = open_study(study)
    other = results.model.window(replace(results.windows[0].job, burr_severity="light", drum_pressure_kPa=50))
    assert "was read at drum pressure 60 kPa only" in other.reasons[0]
    assert "How fast does a sheet lose its cut" in report_html(results)


def test_a_posterior_too_rough_for_the_usual_steps_is_solved_with_care(monkeypatch):
    rows, job = too_rough()
    log = ef.read_log(rows)
    found = ef.fit(log).window(job)
    monkeypatch.setattr(LogChances, "below", lambda self, z, scale: np.log(
        np.maximum(stdtr(self.nu[:, scale], z), 1e-300)))
    again = ef.fit(log).window(job)  # the same but for the eighth digit of bounds
    assert found.verdict == again.verdict == "window"
    assert found.high_m_min == pytest.approx(again.high_m_min, rel=1e-5)


def test_a_posterior_that_stays_rough_promises_nothing(monkeypatch):
    rows, job = too_rough()
    monkeypatch.setattr(posterior, "_TOO_ROUGH", 0.0)
    model = ef.fit(ef.read_log(rows))
    window = model.window(job)
    assert window.verdict == "not enough evidence" and "did not settle" in window.reasons[0]
    assert "Run 3 plates" in window.reasons[1] and not model.law_for(job).posterior.settled
    with pytest.raises(ef.JobError, match="did not settle"):
        model.share(job, [2.0])


@pytest.mark.parametrize("seed", [32, 120])
def test_logs_of_one_position_settle(seed):
    """Steps that go back and forth between two points are halved: without, seed 120 does not settle."""
    trial = campaign("usual", seed)
    log = trial.log[trial.log["edge_position"] == "lateral"].drop(columns=["removal_um", "residual_burr_mm"])
    model = ef.fit(ef.read_log(log))
    assert model.law_for(trial.job("one age")[0]).posterior.settled
