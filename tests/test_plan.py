"""Planned trials: the precision they give, the search for the best, and what every plan has to keep."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from itertools import product
from pathlib import Path

import numpy as np
import pytest
from logs import clean
from numpy.testing import assert_allclose

import edgefinish as ef
from edgefinish.exchange import (
    Factor,
    Problem,
    Spreads,
    efficiency,
    exchange,
    information,
    of_one_sheet,
    precision_of,
    random_start,
    score,
    search,
)

README = (Path(__file__).parents[1] / "README.md").read_text(encoding="utf-8")


def job(**changes) -> ef.Job:
    """A job of the invented yard."""
    return ef.Job(**{"material": "S355", "thickness_mm": 10, "drum_pressure_kPa": 60, "grit": "P80",
                     "edge_radius_mm": (0.2, 0.7), **changes})


SIX = [job(drum_pressure_kPa=p, grit=g, thickness_mm=t, sheet_hours=(0, h)) for p, g, t, h in (
    (45, "P60", 6, 15), (45, "P80", 10, 10), (60, "P80", 16, 15), (60, "P120", 6, 15), (75, "P80", 10, 10),
    (75, "P60", 16, 15))]
TWO = [job(residual_burr_mm=0.05, burr_severity="moderate", removal_um=30),
       job(material="304", grit="P120", residual_burr_mm=0.05, burr_severity="light")]


def grid(levels) -> np.ndarray:
    """All combinations of levels."""
    return np.array(list(product(*levels)), float)


def test_efficiencies_of_the_handbooks_example():
    # NIST/SEMATECH e-Handbook of Statistical Methods, 5.5.2.1: model 1, x1, x2, x3, x1², twelve runs; the candidates
    # are five levels of x1 and two of x2 and x3. Printed: D 0.6825575, A 2.2, G 1, I 4.6625.
    def columns(x):
        return np.column_stack([np.ones(len(x)), x, x[:, 0] ** 2])
    design = columns(grid([(-1, 0, 1), (-1, 1), (-1, 1)]))
    found = efficiency(design, columns(grid([(-1, -0.5, 0, 0.5, 1), (-1, 1), (-1, 1)])))
    assert [round(found.d, 7), round(found.a, 1), round(found.g, 6), round(found.i, 4)] == [0.6825575, 2.2, 1.0, 4.6625]


def test_the_search_finds_the_i_optimal_design_of_the_literature():
    # Quadratic in three factors on five levels each (-2 to 2), 15 runs: I = 8.096772, as printed in the vignette of
    # the R package AlgDesign (R. E. Wheeler). Its search is one of many starts too: not to be worse is what is asked.
    level = np.arange(-2.0, 3.0)

    def columns(levels):
        x = level[levels]
        pairs = [x[..., i] * x[..., j] for i in range(3) for j in range(i, 3)]
        return np.concatenate([np.ones((*x.shape[:-1], 1)), x, np.stack(pairs, -1)], -1)
    every = columns(np.array(list(product(range(5), repeat=3))))
    problem = Problem(np.zeros(15, int), tuple(Factor(f"x{i}", np.arange(15), 5) for i in range(3)), columns,
                      1e-9 * np.eye(10), every, (Spreads(0.0, 1.0),), squared=True)
    levels, value = search(problem, seed=3, starts=12)
    assert 15 * value <= 8.096772 * (1 + 1e-6)
    assert_allclose(efficiency(columns(levels), every).i, 15 * value, rtol=1e-6)


def test_the_search_is_as_good_as_a_librarys_on_a_split_plot():
    # I criterion, 24 plates on 6 sheets, sheet over plate variance 1.33; feed and hours quadratic, pressure and grain
    # linear, grain bound to the sheet. The best of ten designs of pyoptex 1.2.1 (seed 1) has I = 0.46256, over the
    # whole region with exact moments. Within 1 % of it is asked.
    level = [np.linspace(-1, 1, n) for n in (9, 5, 3, 3)]

    def model(x):
        return np.concatenate([np.ones((*x.shape[:-1], 1)), x, x[..., :1] ** 2, x[..., 1:2] ** 2], -1)
    points, weights = np.polynomial.legendre.leggauss(3)
    at = model(grid([points] * 4))
    moments = (at * (grid([weights] * 4).prod(1) / 16)[:, None]).T @ at
    plate, sheet = np.arange(24), np.repeat(np.arange(6), 4)
    factors = tuple(Factor(f"x{i}", sheet if i == 3 else plate, len(v)) for i, v in enumerate(level))
    problem = Problem(sheet, factors, lambda lv: model(np.stack([level[i][lv[..., i]] for i in range(4)], -1)),
                      1e-9 * np.eye(7), np.linalg.cholesky(moments).T * np.sqrt(7), (Spreads(1.33**0.5, 1.0),),
                      squared=True)
    levels, value = search(problem, seed=1, starts=6)
    cov = np.linalg.inv(information(problem.columns(levels), sheet, 1.33**0.5, 1.0))
    assert_allclose(np.trace(moments @ cov), value, rtol=1e-6)
    assert value <= 0.46256 * 1.01


@pytest.mark.parametrize(("sheets", "plates", "ratio", "of_sheet", "within"), [
    (4, 4, 1, 0.3125, 0.0625), (6, 4, 1, 0.208333, 0.0416667), (8, 4, 3, 0.40625, 0.03125)])
def test_variances_of_a_balanced_split_plot(sheets, plates, ratio, of_sheet, within):
    # Var = (1 + s η) σ²/N for what is bound to the sheet, σ²/N for what is not (Box and Jones 1992, J. Appl. Stat.
    # 19, 3-26, gives the principle); s plates on each of w sheets, η = sheet over plate variance, σ² = 1.
    sheet = np.repeat(np.arange(sheets), plates)
    bound, free = np.where(sheet % 2, 1.0, -1.0), np.where(np.arange(len(sheet)) % 2, 1.0, -1.0)
    columns = np.column_stack([np.ones(len(sheet)), bound, free, bound * free])
    cov = np.linalg.inv(information(columns, sheet, ratio**0.5, 1.0))
    assert_allclose(np.diag(cov)[1:], [of_sheet, within, within], rtol=2e-6)
    if sheets == 4:
        assert round(float(np.linalg.det(np.linalg.inv(cov)) ** 0.25 / len(sheet)), 6) == 0.447214


def test_precision_is_that_of_the_whole_covariance_matrix():
    rng = np.random.default_rng(4)
    sheet = np.sort(rng.integers(0, 4, 17))
    columns, sd, variance = rng.normal(size=(17, 3)), 0.7, rng.uniform(0.2, 0.5, 17)
    whole = np.diag(variance) + sd**2 * (sheet[:, None] == sheet)
    assert_allclose(information(columns, sheet, sd, variance), columns.T @ np.linalg.inv(whole) @ columns, rtol=1e-10)
    parts = sum(of_one_sheet(columns[sheet == s], (Spreads(sd, 0.3),))[0] for s in np.unique(sheet))
    assert_allclose(parts, information(columns, sheet, sd, 0.3), rtol=1e-10)


def test_no_single_change_betters_what_the_exchange_ends_with():
    unit, sheet = np.arange(8), np.repeat([0, 1, 2, 3], 2)
    level = np.array([-1.0, 0.0, 1.0])

    def columns(levels):
        x = level[levels]
        return np.stack([np.ones(x.shape[:-1]), x[..., 0], x[..., 1], x[..., 0] ** 2], -1)
    problem = Problem(sheet, (Factor("free", unit, 3), Factor("bound", sheet, 3)), columns, 0.01 * np.eye(4),
                      columns(np.array(list(product(range(3), repeat=2)))), (Spreads(0.5, 1.0), Spreads(1.5, 1.0, 2.0)))
    start = random_start(problem, np.random.default_rng(2))
    levels, value = exchange(problem, start)
    assert value < float(score(problem, precision_of(problem, start)))
    assert_allclose(value, float(score(problem, precision_of(problem, levels))), rtol=1e-9)
    for i, factor in enumerate(problem.factors):
        for u, to in product(range(factor.unit.max() + 1), range(3)):
            other = levels.copy()
            other[factor.unit == u, i] = to
            assert float(score(problem, precision_of(problem, other))) >= value * (1 - 1e-6)


@pytest.fixture(scope="module", params=["one", "six", "burr"])
def planned(request) -> ef.Plan:
    """A plan for one job, for six, and for two materials whose burr is to be promised."""
    jobs = {"one": [job()], "six": SIX, "burr": TWO}[request.param]
    return ef.plan(jobs, feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=36, sheets=6), name=request.param)


def test_a_plan_keeps_what_every_trial_needs(planned):
    runs = planned.runs
    assert len(runs) == 36 and runs["run"].is_unique and runs["abrasive_sheet"].nunique() == 6
    assert (runs.groupby("abrasive_sheet")["grit"].nunique() == 1).all()
    for asked in planned.jobs:
        mine = runs[runs["material"] == asked.material]
        assert asked.grit in set(mine["grit"])
        assert (mine["feed_speed_m_min"].min(), mine["feed_speed_m_min"].max()) == (0.9, 6.0)
        for name in ("drum_pressure_kPa", "thickness_mm", "passes"):
            assert mine[name].min() <= getattr(asked, name) <= mine[name].max()
        assert runs["contact_hours"].min() <= asked.sheet_hours[0]
        assert runs["contact_hours"].max() >= asked.sheet_hours[1]
    assert runs["feed_speed_m_min"].nunique() >= 4
    assert runs["contact_hours"].nunique() >= 3
    assert abs(np.corrcoef(np.log(runs["feed_speed_m_min"]), runs["contact_hours"])[0, 1]) < 0.3


def test_sheets_are_met_twice_at_most_and_grow_older(planned):
    for _, sheet in planned.runs.groupby("abrasive_sheet", sort=False):
        assert sheet["contact_hours"].is_monotonic_increasing
        assert sheet["contact_hours"].nunique() == sheet["visit"].max() <= 2
    place = planned.runs.groupby("abrasive_sheet").apply(lambda s: np.ptp(s.index) + 1 - len(s), include_groups=False)
    assert (place == 0).all()  # one sheet after the other


def test_the_order_within_a_sheet_and_age_is_shuffled():
    rising = [visit["feed_speed_m_min"].is_monotonic_increasing or visit["feed_speed_m_min"].is_monotonic_decreasing
              for seed in range(4)
              for _, visit in ef.plan(SIX, feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=36, sheets=4), seed=seed)
              .runs.groupby(["abrasive_sheet", "visit"]) if visit["feed_speed_m_min"].nunique() > 2]
    assert len(rising) > 10 and np.mean(rising) < 0.6


def test_half_of_the_plates_are_heavy_where_burr_is_to_be_promised(planned):
    if planned.name != "burr":
        assert "burr_severity" not in planned.runs
        return
    for _, mine in planned.runs.groupby("material"):
        heavy = (mine["burr_severity"] == "heavy").to_numpy()
        assert abs(heavy.sum() - len(heavy) / 2) <= 1
        assert abs(np.corrcoef(heavy, np.log(mine["feed_speed_m_min"]))[0, 1]) < 0.35
    assert sum("half of the plates carry heavy burr" in text for text in planned.told) == 2


def test_the_same_plan_each_time_and_quickly():
    started = time.process_time()
    first, second = (ef.plan(SIX, feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=36)) for _ in range(2))
    assert first.runs.equals(second.runs) and first.told == second.told
    assert time.process_time() - started < 2 * 10  # 10 s is what a plan for 36 runs may take


def test_ages_that_are_planned_beat_ages_as_they_come(planned):
    # The plan against the same plates on the same sheets whose ages were left to chance, by a direct calculation.
    from edgefinish.planner import EDGE, PLATE, SHEETS, _Space
    space = _Space(planned.jobs, planned.feed_speed_m_min, (0.0, 15.0), planned.trial, "metric")
    found = search(space.problem, seed=1)
    rng = np.random.default_rng(1)
    other = []
    for _ in range(20):
        levels = found[0].copy()
        levels[:, 5] = rng.integers(0, len(space.ages), len(levels))
        columns = space.columns(levels)
        total = 0.0
        for sd, weight in SHEETS:
            cov = np.linalg.inv(space.problem.prior + information(columns, space.sheet, sd, PLATE**2 + EDGE**2 / 4))
            variance = np.einsum("tp,pq,tq->t", space.problem.targets, cov, space.problem.targets)
            total += weight * float(np.sqrt(variance).mean())
        other.append(total)
    assert found[1] < min(other)


MANY = [job(material=f"M{i}", thickness_mm=4 + i) for i in range(8)]  # each at both ends of the speeds, and two between


@pytest.mark.parametrize(("jobs", "trial", "said"), [
    ([job()], {"sheets": 2}, "at least 3 abrasive sheets"),
    (SIX, {"sheets": 3, "plates": 5}, "two plates for each of 3 sheets"),
    ([job(grit=g) for g in ("P60", "P80", "P100", "P120")], {"sheets": 3}, "a sheet for each of 4 grits"),
    ([job(sheet_hours=(0, 20))], {"sheet_hours": (0.0, 15.0)}, "never promised for a sheet age that was not run"),
    ([job()], {"plates": 100_000}, "at most 500 plates"),
    (MANY, {"plates": 17, "sheets": 4}, "29 settings .* on at least 18 plates: allow more plates")])
def test_a_trial_that_is_too_small_is_refused_with_the_way_out(jobs, trial, said):
    with pytest.raises(ef.JobError, match=said):
        ef.plan(jobs, feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(**trial))


def test_as_few_plates_as_it_says_will_do():
    assert len(ef.plan(MANY, feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=18, sheets=4)).runs) == 18


def test_a_narrow_range_of_speeds_is_planned_in_finer_steps():
    runs = ef.plan([job()], feed_speed_m_min=(1.0, 1.4), units="metric").runs
    assert runs["feed_speed_m_min"].nunique() >= 4
    assert runs["feed_speed_m_min"].between(1.0, 1.4).all()


def study(folder: Path, text: str) -> ef.Study:
    """A study file, read."""
    (folder / "study.yaml").write_text(text, encoding="utf-8")
    return ef.read_study(folder / "study.yaml")


LISTED = """study: yard
line: {feed_speed_m_min: [0.9, 6.0]}
limits: {edge_radius_mm: [0.2, 0.7]}
jobs: [{material: S355, thickness_mm: 10, drum_pressure_kPa: 60, grit: P80}]
"""


def test_the_trial_of_the_readme_is_planned(tmp_path):
    trial = re.search(r"`(trial: \{.*?\})`", README).group(1)
    planned = ef.plan_study(study(tmp_path, LISTED + trial + "\n"))
    assert len(planned.runs) == planned.trial.plates == 24 and planned.trial.sheet_hours == (0.0, 15.0)


def test_a_study_that_says_too_little_is_refused(tmp_path):
    with pytest.raises(ef.StudyError, match="jobs that are to be promised, listed"):
        ef.plan_study(study(tmp_path, "study: yard\nlimits: {removal_um: 30}\nline: {feed_speed_m_min: [1, 6]}\n"))
    with pytest.raises(ef.StudyError, match="slowest speed to its fastest"):
        ef.plan_study(study(tmp_path, LISTED.replace("line: {feed_speed_m_min: [0.9, 6.0]}\n", "")))


def test_a_plan_asks_for_nothing_that_the_line_cannot_run(tmp_path):
    """Every such job at once, in the study's units; 1 psi is 6.894757 kPa (NIST SP 811, B.8): 90 kPa are 13.1 psi."""
    line = "line: {feed_speed_m_min: [0.9, 6.0], drum_pressure_kPa: [30, 90], grits: [P80]}\n"
    more = ", {material: S355, thickness_mm: 10, drum_pressure_kPa: 95, grit: P60}]\n"
    text = LISTED.replace("line: {feed_speed_m_min: [0.9, 6.0]}\n", line + "units: imperial\n")
    with pytest.raises(ef.StudyError) as refused:
        ef.plan_study(study(tmp_path, text.removesuffix("]\n") + more))
    grit, pressure = map(str, refused.value.problems)
    assert grit.startswith("jobs, 2.grit: found 'P60 (S355, ") and "wanted what the line can run: P80; change" in grit
    assert pressure.startswith("jobs, 2.drum_pressure_kPa: found '13.8 psi (S355, ") and "to 13.1 psi;" in pressure
    assert len(ef.plan_study(study(tmp_path, text)).runs) == 24


def test_an_earlier_log_that_is_not_there_is_told_before_a_trial_is_run(tmp_path):
    """As it is when the trial's own log is read."""
    with pytest.raises(ef.LogError, match="earlier log nofile.csv: .*nofile.csv"):
        ef.plan_study(study(tmp_path, LISTED + "history: [nofile.csv]\n"))


def test_faults_of_a_plan_stand_under_the_file_and_its_keys_and_slips_are_told(tmp_path):
    file = study(tmp_path, LISTED + "trial: {plates: 4}\nnext_plates: 2\n")
    with pytest.raises(ef.StudyError) as refused:
        ef.plan_study(file)
    assert str(refused.value).startswith(f"{file.path.name}: trial.plates: found '4'")
    long = study(tmp_path, LISTED + "trial: {sheet_hours: [0, 900], minutes: {plate: 1e1}}\nnext_plates: 2\n")
    told = " ".join(ef.plan_study(long).told)
    assert "up to 900 h, and no job asks for more than 15 h" in told and "next_plates) is not looked for yet" in told
    assert long.trial.minutes.plate == 10 and "`" not in told
    assert not any("no job asks" in t for t in ef.plan_study(study(tmp_path, LISTED)).told)


def test_costs_and_minutes_of_a_trial(tmp_path):
    trial = study(tmp_path, LISTED + "trial: {cost: {plate: 20, sheet: 60, hour: 90}, minutes: {plate: 5}}\n").trial
    # 24 plates of 5 min and 6 changes of 30 min are 5 h; 24 × 20 + 6 × 60 + 5 × 90 = 1290.
    assert trial.cost_of(24, 6) == (5.0, 1290.0)
    with pytest.raises(ef.StudyError) as refused:
        study(tmp_path, LISTED + "trial: {cost: {plates: 20, hour: -1}, minutes: 5}\n")
    found = {p.column: p.remedy for p in refused.value.problems}
    assert found["trial.cost.plates"] == "did you mean plate?" and {"trial.cost.hour", "trial.minutes"} < set(found)


def test_burr_of_no_named_severity_is_run_as_it_comes_and_told():
    """Such a job is promised for all burrs of the log: heavy plates that it never meets would take its window."""
    job = replace(SIX[0], residual_burr_mm=0.05, burr_severity=None)
    told = ef.plan([job], feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=18, sheets=6))
    assert "burr_severity" not in told.runs
    assert any("name a severity in the job" in text for text in told.told)


def test_sheets_that_several_materials_share_are_told():
    both = [SIX[0], replace(SIX[0], material="1.4301")]
    trial = ef.Trial(plates=18, sheets=6)
    told = [ef.plan(jobs, feed_speed_m_min=(0.9, 6.0), trial=trial).told for jobs in (both, both[:1])]
    assert [any("Stainless steel must not share sheets" in text for text in t) for t in told] == [True, False]


def test_earlier_logs_are_said_not_to_be_used(tmp_path):
    clean().to_csv(tmp_path / "last.csv", index=False)
    told = ef.plan_study(study(tmp_path, LISTED + "history: [last.csv]\n")).told
    assert any("Earlier logs are not used to plan" in t and "line of unknown kind" in t and "`" not in t for t in told)


THREE = [job(material="MS-50"), job(material="WR-400", thickness_mm=12), job(material="SS-304", grit="P120")]


@pytest.mark.parametrize(("apart", "groups"), [
    ((("SS-304",), ("MS-50", "WR-400")), ("A1 to A3", "A4 to A7")), ((("WR-400", "MS-50"),), ("A1 to A4", "A5 to A7"))])
def test_groups_that_are_kept_apart_never_share_a_sheet(apart, groups):
    plan = ef.plan(THREE, feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=21, sheets=7, apart=apart))
    met = plan.runs.groupby("abrasive_sheet", sort=False)["material"].agg(set)
    assert len(met) == 7 and all("SS-304" not in some or some == {"SS-304"} for some in met)
    stainless = ["SS-304" in some for some in met]  # sheets of a group are run one after the other
    assert stainless == sorted(stainless, reverse=apart[0] == ("SS-304",)) and sum(stainless) == 3
    kept, = [t for t in plan.told if t.startswith("Kept apart")]
    assert all(span in kept for span in groups) and "SS-304 on 3 sheets" in kept
    assert not any("Stainless steel must not" in t for t in plan.told)
    for material, mine in plan.runs.groupby("material"):
        assert (mine["feed_speed_m_min"].min(), mine["feed_speed_m_min"].max()) == (0.9, 6.0), material


def test_sizes_that_are_imagined_keep_groups_apart_too():
    from edgefinish.expected import Size, _resized, _sizes
    trial = ef.Trial(plates=20, sheets=7, apart=(("SS-304",),))
    plan = ef.plan(THREE, feed_speed_m_min=(0.9, 6.0), trial=trial)
    assert min(s.sheets for s in _sizes(plan)) == 6
    met = _resized(plan, Size(24, 8, 4)).runs.groupby("abrasive_sheet")["material"].agg(set)
    assert len(met) == 8 and all("SS-304" not in some or len(some) == 1 for some in met)


@pytest.mark.parametrize(("trial", "said"), [
    ("{sheets: 5, apart: [[SS-304], [MS-50, WR-400]]}", "trial.sheets: found '5', wanted 3 . 3 sheets for 2 groups"),
    ("{apart: [[SS-305], [MS-50]]}", "trial.apart: found 'SS-305', wanted materials of the jobs.*mean SS-304")])
def test_groups_that_cannot_be_are_refused_with_the_way_out(tmp_path, trial, said):
    jobs = ", ".join(f"{{material: {j.material}, thickness_mm: 10, drum_pressure_kPa: 60, grit: P80}}" for j in THREE)
    text = LISTED.partition("jobs:")[0] + f"jobs: [{jobs}]\ntrial: {trial}\n"
    with pytest.raises(ef.StudyError, match=said):
        ef.plan_study(study(tmp_path, text))


@pytest.mark.parametrize(("apart", "said"), [
    ("[[0080, 304], [S355, 304]]", "found '304', wanted each material once"),
    ("[S355, 304]", "groups of materials that never share a sheet.*such as"), ("[[]]", "groups"), ("S355", "groups")])
def test_groups_that_are_none_are_refused_as_the_study_is_read(tmp_path, apart, said):
    with pytest.raises(ef.StudyError, match=f"trial.apart: .*{said}"):
        study(tmp_path, LISTED + f"trial: {{apart: {apart}}}\n")


def test_a_group_is_named_as_the_shop_names_its_grades(tmp_path):
    read = study(tmp_path, LISTED + "trial: {apart: [[0080, 304], [ S355  J2 ]]}\n")
    assert read.trial.apart == (("0080", "304"), ("S355 J2",))


def test_a_grit_that_no_job_of_a_material_asks_for_is_explained():
    trial, jobs = ef.Trial(plates=18, sheets=6, edges=("leading", "trailing", "cutout")), [
        job(material=m, thickness_mm=t, grit=g, sheet_hours=(0, 10)) for m, t, g in (
            ("MS-50", 6.35, "P80"), ("WR-400", 9.525, "P80"), ("SS-304", 6.35, "P120"))]
    plan = ef.plan(jobs, feed_speed_m_min=(1.0668, 4.8768), trial=trial, units="imperial")
    pairs = set(zip(plan.runs["material"], plan.runs["grit"], strict=True))
    other = pairs - {(j.material, j.grit) for j in jobs}
    said, = [t for t in plan.told if "grit that no job of theirs asks for" in t]
    assert other and all(name in said and f"on {grit}" in said for name, grit in other)
    assert not any("no job of theirs" in t for t in ef.plan(
        [job()], feed_speed_m_min=(0.9, 6.0), trial=ef.Trial(plates=12, sheets=4)).told)
