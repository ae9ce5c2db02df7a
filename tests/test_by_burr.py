"""Plates with one burr severity whose radii lie otherwise than their settings tell: seen, allowed for, and told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from lines import FAMILIES, Plan, holds, run_trial

import edgefinish as ef

HEAVY = tuple(range(3, 36, 7))  # five plates of 36


def trial(step: float, seed: int):
    """Five plates of 36 carry heavy burr, and their log radius is `step` larger; the truth of a heavy plate."""
    rng = np.random.default_rng([seed, 90211])
    truth = FAMILIES["usual"](rng)[0]
    heavy = replace(truth, level=truth.level + step)
    one, other = (run_trial(t, Plan(), np.random.default_rng([seed, 90212])) for t in (truth, heavy))
    of = one["run"].str[1:].astype(int).isin(HEAVY)
    log = pd.concat([one[~of].assign(burr_severity="moderate"), other[of].assign(burr_severity="heavy")])
    return heavy, ef.read_log(log.drop(columns=["burr_height_mm", "residual_burr_mm", "removal_um"], errors="ignore"))


def asked(**limits):
    return ef.Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", sheet_hours=(0, 8),
                  edge_radius_mm=(0.22, None), **limits)


@pytest.mark.parametrize("step", [0.0, -0.15])
def test_windows_for_a_burr_go_by_the_plates_that_carried_it(step):
    """With one law for all burrs four of twelve windows hold where heavy burr takes 14 % of the radius."""
    said, held, steps, issued = 0, 0, [], 0
    for seed in range(12):
        heavy, log = trial(step, seed)
        model, job = ef.fit(log), asked(burr_severity="heavy")
        window = model.window(job)
        told = any(r.startswith("Radii of plates with heavy burr lie") for r in window.reasons)
        found = model.step_of_burr(model.law_for(job), job)
        assert told == (found is not None and window.verdict == "window")
        steps.append(found.mean if found else 0.0)
        said += told
        if window.verdict == "window":
            issued += 1
            held += holds(heavy, job, window.low_m_min, window.high_m_min)
        assert model.step_of_burr(model.law_for(job), asked()) is None
    assert issued >= 10 and held >= issued - 1
    # the law is fitted to all plates: it stands 31 of 36 of the step away from the heavy ones
    assert abs(np.mean(steps) - step * 31 / 36) < 0.04
    assert said >= 10 if step else said <= 6


def test_two_plates_of_a_burr_tell_no_step():
    _, log = trial(-0.3, 1)
    rows = log.rows.assign(burr_severity=log.rows["burr_severity"].where(
        log.rows["run"].str[1:].astype(int).isin(HEAVY[:2]), "moderate"))
    model, job = ef.fit(ef.read_log(rows)), asked(burr_severity="heavy")
    assert model.step_of_burr(model.law_for(job), job) is None
