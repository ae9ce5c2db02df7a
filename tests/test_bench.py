"""The ways that the bench compares with: each is itself done right, and gives windows inside what was run."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from lines import Truth, campaign

sys.path.append(str(Path(__file__).parent / "bench"))
from borrow import level_sd  # noqa: E402
from calibration import WAYS, markdown  # noqa: E402
from planning import FEED, OLDEST, asked, library, summary  # noqa: E402
from planning import WAYS as TRIALS  # noqa: E402
from rivals import NEEDS, RIVALS, conformal, order_of  # noqa: E402


def test_order_statistics_that_bound_a_share():
    # Wilks 1941, as in tables of one-sided nonparametric tolerance limits: of 59 readings the largest bounds 95 % of
    # all with confidence 95 %, of 29 it bounds 90 %, of 299 it bounds 99 %; one reading fewer does not do.
    for count, content in ((59, 0.95), (29, 0.90), (299, 0.99)):
        assert order_of(count, content, 0.95) == count
        assert order_of(count - 1, content, 0.95) == count
    assert order_of(9, 0.90) == 9 and order_of(8, 0.90) == 9  # the share 9/10 of ten exchangeable readings
    rng = np.random.default_rng(1)
    for confidence in (None, 0.95):
        k = order_of(99, 0.9, confidence)
        cover = np.sort(rng.uniform(size=(4000, 99)), axis=1)[:, k - 1]
        if confidence is None:
            assert cover.mean() == pytest.approx(0.9, abs=0.003)
        else:
            assert (cover >= 0.9).mean() >= 0.94


@pytest.mark.parametrize("name", RIVALS)
@pytest.mark.parametrize("kind", ["one age", "all limits"])
def test_a_rival_gives_a_window_inside_what_was_run(name, kind):
    if name in NEEDS and not importlib.util.find_spec(NEEDS[name]):
        pytest.skip(f"{NEEDS[name]} is not installed")
    trial = campaign("twelve sheets", 2)
    job, (low, high) = trial.job(kind)
    found = RIVALS[name](trial.log, job)
    if found is not None:
        assert trial.tried[0] <= found[0] < found[1] <= trial.tried[1]
        assert max(found[0], low) < min(found[1], high)
    assert found is not None or kind == "all limits" or "conformal" in name


def test_confidence_makes_a_conformal_window_narrower():
    trial = campaign("usual", 7)
    job, _ = trial.job("one age")
    bare, sure = conformal(trial.log, job), conformal(trial.log, job, 0.95)
    assert sure is None or bare[0] <= sure[0] and sure[1] <= bare[1] and sure != bare


def test_the_table_counts_what_it_says():
    rows = pd.DataFrame({"method": "conformal", "family": ["a"] * 10 + ["b"] * 10, "seed": [*range(10)] * 2,
                         "issued": [True] * 16 + [False] * 4, "holds": [True] * 12 + [False] * 8,
                         "width": [0.5] * 16 + [0.0] * 4, "seconds": 0.25})
    # 16 of 20 issued, 12 of them hold, all ten of family a, two of six of family b; width counts refusals as 0.
    assert markdown(rows).splitlines()[2] == f"| {WAYS['conformal']} | 0.80 | 0.75 ± 0.11 | 0.33 | 0.40 | 0.25 |"


def test_every_way_has_words():
    assert set(WAYS) == {"edgefinish", "reference", *RIVALS}


@pytest.mark.parametrize("kind", ["one", "six"])
@pytest.mark.parametrize(("plates", "sheets"), [(36, 6), (27, 6), (18, 9)])
def test_trials_of_the_library_can_be_run_and_cover_the_jobs(kind, plates, sheets):
    jobs = asked(kind)
    for seed in range(5):
        runs = library(kind, plates, sheets, seed)
        by_sheet = runs.groupby("abrasive_sheet")
        assert len(runs) == plates and len(by_sheet) == sheets and not runs.isna().any().any()
        assert (by_sheet["grit"].nunique() == 1).all() and set(runs["grit"]) == {j.grit for j in jobs}
        assert by_sheet["contact_hours"].apply(lambda h: h.is_monotonic_increasing).all()
        for column, ends in (("feed_speed_m_min", FEED), ("contact_hours", (0.0, OLDEST))):
            assert (runs[column].min(), runs[column].max()) == ends
        for column in ("drum_pressure_kPa", "thickness_mm"):
            wanted = [getattr(j, column) for j in jobs]
            assert (runs[column].min(), runs[column].max()) == (min(wanted), max(wanted))


def test_a_window_that_breaks_its_promise_has_width_and_keeps_none():
    rows = pd.DataFrame([{"way": way, "line": line, "issued": True, "holds": way != "grid 36 on 6" or line > 0,
                          "width": 0.6 if way == "grid 36 on 6" else 0.4} for way in TRIALS for line in range(4)])
    table = summary(rows).set_index("way")
    assert table.loc["grid 36 on 6", ["width", "kept", "holds"]].tolist() == pytest.approx([0.6, 0.45, 0.75])
    assert table.loc["own 27 on 6", "over grid 36 on 6"] == "-0.200 ± 0.000"
    assert table.loc["own 27 on 6", "kept over it"] == "-0.050 ± 0.150"  # of −0.2, −0.2, −0.2, +0.4: SD 0.3, over √4
    assert table.loc["own 27 on 6", "own − library"] == "+0.000 ± 0.000"


def test_what_plates_on_sheets_tell_of_a_level_is_that_of_a_balanced_split_plot():
    # Every speed once on every sheet: Var of the mean = sheet² / sheets + plate-mean variance / plates at the middle of
    # the log speeds; away from it Var of the slope = plate-mean variance / Σ x² more (Box and Jones 1992).
    truth = Truth(sheet=0.12, own_wear=0.0, plate=0.06, edge=0.10)
    speeds, edges = np.array([1.0, 2.0, 4.0]), 4
    log = pd.DataFrame([{"abrasive_sheet": f"A{s}", "run": f"{s}.{v}", "contact_hours": 5.0, "feed_speed_m_min": v}
                        for s in range(3) for v in speeds for _ in range(edges)])
    one = 0.06**2 + 0.10**2 / edges
    middle = 0.12**2 / 3 + one / 9
    slope = one / (3 * 2 * np.log(2) ** 2)
    assert level_sd(truth, log, (2.0, 4.0)) == pytest.approx(np.sqrt([middle, middle + slope * np.log(2) ** 2]))
