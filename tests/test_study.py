"""The study file: everything wrong with it at once, by line and key; every default told; nothing guessed."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pandas as pd
import pytest
import smallstudy
import yaml

from edgefinish.errors import StudyError
from edgefinish.job import Job
from edgefinish.study import Study, read_study

WHOLE = """\
study: north-yard-2026
log: trials.csv
columns:
  "Belt": "feed speed [ft/min]"
  passes: 1
units: imperial
line:
  feed_speed_m_min: [0.8, 6.0]
  drum_pressure_kPa: [25, 110]
  grits: [P60, P80, p 120]
promise: {share: 0.85, confidence: 0.9}
limits:
  edge_radius_mm: [0.2, 0.6]
  residual_burr_mm: 0.05
  removal_um: 40
severities: {light: [0.05, 0.2], Moderate: [0.2, 0.6]}
trial: {plates: 24, sheets: 6, edges: [leading, cutout], sheet_hours: [0, 15]}
jobs:
- {material: S355, burr_severity: moderate, thickness_mm: 10, drum_pressure_kPa: 60, grit: P80, passes: 1, \
sheet_hours: [0, 15]}
- {material: 304, thickness_mm: 6, drum_pressure_kPa: 50, grit: P80, residual_burr_mm: null, \
removal_um: 25, share: 0.95}
- {material: 0080, thickness_mm: 6, drum_pressure_kPa: 50, grit: P80}
- {material: 2E5, thickness_mm: 6, drum_pressure_kPa: 50, grit: P80}
"""
LEAST = "study: yard\nlog: trials.csv\nlimits: {edge_radius_mm: [0.2, 0.6]}\n"


def read(folder: Path, text: str | bytes) -> Study:
    path = folder / "study.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_study(path)


def faults(folder: Path, text: str | bytes) -> dict[str | None, str]:
    """Key → the whole message of its fault."""
    with pytest.raises(StudyError) as caught:
        read(folder, text)
    return {p.column: str(p) for p in caught.value.problems}


def test_every_key_of_the_contract_is_read(tmp_path):
    study = read(tmp_path, WHOLE)
    assert (study.name, study.units) == ("north-yard-2026", "imperial")
    assert study.log_source == str(tmp_path / "trials.csv")
    assert dict(study.columns) == {"Belt": "feed speed [ft/min]", "passes": 1}
    assert study.line.feed_speed_m_min == (0.8, 6.0) and study.line.drum_pressure_kPa == (25.0, 110.0)
    assert study.line.grits == ("P60", "P80", "P120")
    assert study.severities == {"light": (0.05, 0.2), "moderate": (0.2, 0.6)}
    assert study.trial.edges == ("leading", "cutout")
    assert study.sha256 == hashlib.sha256(WHOLE.encode()).hexdigest()


def test_a_job_takes_the_studys_limits_and_overrides_them(tmp_path):
    first, second, *_ = read(tmp_path, WHOLE).listed
    assert first == Job(material="S355", burr_severity="moderate", thickness_mm=10, drum_pressure_kPa=60, grit="P80",
                        edge_radius_mm=(0.2, 0.6), residual_burr_mm=0.05, removal_um=40, share=0.85, confidence=0.9)
    assert (second.residual_burr_mm, second.removal_um, second.share, second.confidence) == (None, 25, 0.95, 0.9)


def test_sizes_in_parts_of_an_inch_are_read_where_the_unit_is_said(tmp_path):
    """1 in is 25.4 mm exactly (NIST SP 811, B.8); a log reads 3/8" as 9.525 mm too."""
    for written, mm in (("3/8 in", 9.525), ('3/8"', 9.525), ("1 1/4 in", 31.75), ("1-1/4 in", 31.75),
                        (".375 in", 9.525), ("1¼ in", 31.75), ("⅜ in", 9.525)):
        text = WHOLE.replace("thickness_mm: 10", f"thickness_mm: {written}", 1)
        assert text != WHOLE and read(tmp_path, text).listed[0].thickness_mm == mm, written
    for written in ("3/8", "3/0 in", "1/1/4 in", "3/8 kg"):
        with pytest.raises(StudyError, match=f"found '{written}', wanted a number above 0 mm"):
            read(tmp_path, WHOLE.replace("thickness_mm: 10", f"thickness_mm: {written}", 1))
    text = WHOLE.replace("edge_radius_mm: [0.2, 0.6]", 'edge_radius_mm: [1/128 in, 1/32"]')
    assert text != WHOLE and read(tmp_path, text).limits["edge_radius_mm"] == (0.1984375, 0.79375)


def test_names_that_look_like_numbers_stay_as_they_are_written(tmp_path):
    assert [j.material for j in read(tmp_path, WHOLE).listed] == ["S355", "304", "0080", "2E5"]
    assert read(tmp_path, LEAST.replace("yard", "2026")).name == "2026"


def test_every_default_is_told(tmp_path):
    told = " ".join(read(tmp_path, LEAST).told)
    for word in ("units", "feed speed", "drum pressure", "grits", "share", "0.90", "confidence", "0.95",
                 "every material and burr severity"):
        assert word in told
    told_of_jobs = " ".join(read(tmp_path, WHOLE).told)
    assert "jobs 2 to 4: no passes given" in told_of_jobs and "jobs 2 to 4: no sheet_hours given" in told_of_jobs
    assert "job 1" not in told_of_jobs and "jobs 1" not in told_of_jobs and "units" not in told_of_jobs


def test_all_faults_come_at_once_with_line_and_hint(tmp_path):
    found = faults(tmp_path, """\
stduy: yard
log: trials.csv
units: metrik
line: {feed_sped_m_min: [1, 2], drum_pressure_kPa: [110, 25], grits: [80, P81]}
promise: {share: 90}
limits: {edge_radius_mm: [0.6, 0.2], removal_um: -1}
severities: {light: 0.2}
trial: {plates: 0, edges: [laeding]}
jobs:
- {material: S355, thickness_mm: ten, drum_pressure_kPa: 60, grit: 80}
- {materail: S355, thickness_mm: 10, drum_pressure_kPa: 60, grit: P80, burr: light}
""")
    assert "did you mean burr_severity?" in found["jobs, 2.burr"]
    assert found["stduy"] == "line 1, stduy: found 'stduy', wanted a known key; did you mean study?"
    assert "did you mean metric?" in found["units"] and found["units"].startswith("line 3")
    assert "did you mean feed_speed_m_min?" in found["line.feed_sped_m_min"]
    assert "[110, 25]" in found["line.drum_pressure_kPa"] and "lower first" in found["line.drum_pressure_kPa"]
    assert "such as [25, 110]" in found["line.drum_pressure_kPa"]
    assert "line.grits" in found
    assert "0.90" in found["promise.share"]
    assert "low below high" in found["limits.edge_radius_mm"] and "'-1" in found["limits.removal_um"]
    assert "mm" in found["severities.light"]
    assert "trial.plates" in found and "did you mean leading?" in found["trial.edges"]
    assert "'ten'" in found["jobs, 1.thickness_mm"] and found["jobs, 1.thickness_mm"].startswith("line 10")
    assert "P80" in found["jobs, 1.grit"]
    assert "did you mean material?" in found["jobs, 2.materail"] and "jobs, 2.material" not in found


def test_a_drum_whose_pressure_is_fixed_has_both_ends_alike_a_speed_has_not(tmp_path):
    path = tmp_path / "study.yaml"
    path.write_text(LEAST + "line: {feed_speed_m_min: [1, 6], drum_pressure_kPa: [60, 60]}\n", encoding="utf-8")
    assert read_study(path).line.drum_pressure_kPa == (60.0, 60.0)
    assert "lower first" in faults(tmp_path, LEAST + "line: {feed_speed_m_min: [2, 2]}\n")["line.feed_speed_m_min"]


def test_a_misspelt_field_of_a_job_is_one_fault(tmp_path):
    """It was a second one that the right field has no value."""
    found = faults(tmp_path, LEAST + "jobs:\n- {material: S355, thickness: 10, drum_pressure_kPa: 60, gritt: P80}\n"
                   "- {material: S355, thickness_mm: 10, drum_pressure_kPa: 60}\n")
    assert set(found) == {"jobs, 1.thickness", "jobs, 1.gritt", "jobs, 2.grit"}
    assert "did you mean thickness_mm?" in found["jobs, 1.thickness"]


@pytest.mark.parametrize(("key", "line"), [
    ("study", "log: trials.csv\nlimits: {removal_um: 40}\n"),
    ("limits", "study: yard\nlog: trials.csv\n"),
    ("table", "study: yard\nlog: sqlite:///old.db\nlimits: {removal_um: 40}\n"),
    ("table", LEAST + "table: trials\n"),
    ("sheet", LEAST + "sheet: Trials\n"),
    ("sheet", LEAST + "sheet: [Trials, May]\n"),
    ("sheet", LEAST.replace(".csv", ".xlsx") + "sheet: []\n"),
    ("sheet", LEAST.replace(".csv", ".xlsx") + "sheet: [May, May]\n"),
    ("sheet", LEAST.replace(".csv", ".xlsx") + "sheet: [May, {June: 1}]\n"),
    ("log", LEAST.replace("trials.csv", "[]")),
    ("log", LEAST.replace("trials.csv", "7")),
    ("jobs", LEAST + "jobs: every job\n"),
    ("jobs", LEAST + "jobs: []\n"),
    ("jobs, 1", LEAST + "jobs: [S355]\n"),
    ("columns.Belt", LEAST + "columns: {Belt: yes}\n"),
    ("line", LEAST + "line: P80\n"),
    ("study", LEAST.replace("yard", "../yard")),
    ("study", LEAST.replace("yard", ".yard")),
    ("study", LEAST.replace("yard", "[a]")),
    ("units", LEAST + "units: metric\nunits: imperial\n"),
    ("limits.removal_um", LEAST.replace("}", ", removal_um: 1, removal_um: 2}")),
    ("line.feed_speed_m_min", LEAST + "line: {feed_speed_m_min: [1, .inf]}\n"),
    ("line.feed_speed_m_min", LEAST + "line: {feed_speed_m_min: [1, .nan]}\n"),
    ("line.feed_speed_m_min", LEAST + "line: {feed_speed_m_min: [yes, 2]}\n"),
])
def test_each_fault_is_named_by_its_key(tmp_path, key, line):
    assert key in faults(tmp_path, line)


@pytest.mark.parametrize(("text", "said"), [
    ("", "a study file"),
    ("- a\n", "a study file"),
    ("study: [yard\n", "line 2"),
    ("study: yard\n\tlog: x\n", "line 2"),
    (b"study: \xff\xfe\n", "UTF-8"),
    ("study: \x07\n", "control characters"),
    ("study: &a yard\nlog: *a\n", "written out"),
    ("study: " + "[" * 300000, "nested"),
    ("study:\n" + "- " * 3000, "nested"),
    ("study: yard  # " + "x" * 1_000_000, "at most"),
    ("study: yard\nlog: !!python/object/apply:os.getcwd []\n", "log"),
    ("study: yard\nlog: !!timestamp 2026-13-45\n", "plain number or word"),
    ("? [a, b]\n: 1\n", "keys that are words"),
])
def test_a_file_that_is_no_study_is_refused_with_the_way_out(tmp_path, text, said):
    with pytest.raises(StudyError, match=said):
        read(tmp_path, text)


def test_references_that_explode_are_refused_unread(tmp_path):
    lines = ["a: &a [x, x, x, x, x, x, x, x, x]"]
    lines += [f"{n}: &{n} [{', '.join(['*' + m] * 9)}]" for m, n in zip("abcdefgh", "bcdefghi", strict=True)]
    with pytest.raises(StudyError, match="references are not read"):
        read(tmp_path, "\n".join(lines))


def test_a_missing_file_is_a_study_error(tmp_path):
    with pytest.raises(StudyError, match="check the path"):
        read_study(tmp_path / "none.yaml")
    with pytest.raises(StudyError, match="check the path"):
        read_study(tmp_path)


def test_one_faulty_limit_is_said_once_not_again_for_every_job(tmp_path):
    found = faults(tmp_path, LEAST.replace("0.6", "0.1") + "jobs:\n" + 3 * (
        "- {material: S355, thickness_mm: 10, drum_pressure_kPa: 60, grit: P80}\n"))
    assert list(found) == ["limits.edge_radius_mm"]


def test_sources_start_at_the_study_file(tmp_path):
    urls = {"sqlite:///old.db": f"sqlite:///{tmp_path}/old.db", "sqlite:////srv/old.db": "sqlite:////srv/old.db",
            "postgresql://host/yard": "postgresql://host/yard"}
    for given, wanted in urls.items():
        assert read(tmp_path, LEAST.replace("trials.csv", given) + "table: trials\n").log_source == wanted
    files = read(tmp_path, LEAST.replace("trials.csv", "[a.csv, /b.csv]")).log_source
    assert files == (str(tmp_path / "a.csv"), "/b.csv")


def test_a_study_without_a_log_can_be_read_but_not_fitted(tmp_path):
    study = read(tmp_path, LEAST.replace("log: trials.csv\n", ""))
    with pytest.raises(StudyError, match="log"):
        study.read_log()


def test_numbers_may_be_written_with_a_unit_of_their_kind(tmp_path):
    """1 ft is 0.3048 m, 1 in 25.4 mm, 1 mil 0.0254 mm, 1 psi 6.894757 kPa (NIST SP 811, B.8)."""
    text = ("study: yard\nlog: trials.csv\nunits: imperial\n"
            "line: {feed_speed_m_min: [3 ft/min, 20 fpm], drum_pressure_kPa: [6 psi, 70]}\n"
            "severities: {light: [1 mil, 8 mil]}\nlimits: {edge_radius_mm: [0.25 in, 9], removal_um: 2 mil}\n")
    (tmp_path / "study.yaml").write_text(text)
    study = read_study(tmp_path / "study.yaml")
    assert study.line.feed_speed_m_min == pytest.approx((0.9144, 6.096), abs=1e-12)
    assert study.line.drum_pressure_kPa == pytest.approx((6 * 6.894757, 70), abs=5e-6)
    assert dict(study.severities) == {"light": (0.0254, 0.2032)}
    assert dict(study.limits)["edge_radius_mm"] == (6.35, 9) and dict(study.limits)["removal_um"] == 50.8
    (tmp_path / "study.yaml").write_text(text.replace("2 mil", "2 kg"))
    with pytest.raises(StudyError, match="limits.removal_um: found '2 kg', wanted an upper limit in µm"):
        read_study(tmp_path / "study.yaml")


def test_every_material_and_severity_at_the_settings_most_often_run(tmp_path):
    trials = smallstudy.trials()
    trials.loc[trials["run"] == "R00", "drum_pressure_kPa"] = 80
    trials.loc[trials["run"] == "R23", "contact_hours"] = 11.0
    trials.to_csv(tmp_path / "trials.csv", index=False)
    study = read(tmp_path, smallstudy.STUDY)
    log = study.read_log()
    jobs = study.jobs(log)
    assert [(j.material, j.burr_severity) for j in jobs] == [
        ("0304", "light"), ("0304", "heavy"), ("S355", "light"), ("S355", "heavy")]
    assert {(j.thickness_mm, j.drum_pressure_kPa, j.grit, j.passes) for j in jobs} == {(10.0, 60.0, "P80", 1)}
    assert [j.sheet_hours for j in jobs] == [(0.0, 11.0)] * 2 + [(0.0, 8.0)] * 2
    assert {(j.share, j.confidence, j.edge_radius_mm) for j in jobs} == {(0.80, 0.80, (0.15, 0.9))}
    told = study.choices(log)
    assert len(told) == 4 and "5 of 6 plates" in told[2] and "S355, light burr, 10 mm" in told[2]
    # Plates that are still to be run choose nothing.
    more = trials[trials["material"] == "S355"]
    more = more.assign(run="N" + more["run"], drum_pressure_kPa=80, contact_hours=30.0, edge_radius_mm=None)
    pd.concat([trials, more]).to_csv(tmp_path / "trials.csv", index=False)
    assert study.jobs(study.read_log()) == jobs and study.choices(study.read_log()) == told


def test_a_material_cut_by_two_processes_counts_as_two(tmp_path):
    trials = smallstudy.trials()
    trials["cut_process"] = "laser"
    trials.loc[(trials["material"] == "S355") & (trials["contact_hours"] > 3), "cut_process"] = "plasma"
    trials.to_csv(tmp_path / "trials.csv", index=False)
    study = read(tmp_path, smallstudy.STUDY)
    jobs = study.jobs(study.read_log())
    assert {(j.material, j.cut_process) for j in jobs} == {("0304", None), ("S355", "laser"), ("S355", "plasma")}


def test_the_order_of_rows_changes_no_job(tmp_path):
    study = read(tmp_path, smallstudy.STUDY)
    trials = smallstudy.trials()
    found = []
    for order in (trials, trials.iloc[::-1], trials.sample(frac=1.0, random_state=3)):
        order.to_csv(tmp_path / "trials.csv", index=False)
        found.append(study.jobs(study.read_log()))
    assert found[0] == found[1] == found[2]


def test_the_same_values_come_out_as_a_plain_yaml_reader_finds(tmp_path):
    """PyYAML's own safe loader, is the outside reading."""
    theirs = yaml.safe_load(WHOLE)
    study = read(tmp_path, WHOLE)
    assert list(study.line.feed_speed_m_min) == theirs["line"]["feed_speed_m_min"]
    assert study.limits["removal_um"] == theirs["limits"]["removal_um"]
    assert study.listed[0].thickness_mm == theirs["jobs"][0]["thickness_mm"]


@pytest.mark.parametrize(("word", "meant"), [
    ("side", "lateral"), ("front", "leading"), ("lead", "leading"), ("back", "trailing"), ("trail", "trailing"),
    ("hole", "cutout"), ("inner", "cutout"), ("cut-out", "cutout"), ("lateral edge", "lateral"), ("bevel", None)])
def test_a_plain_word_for_a_position_is_asked_about_in_a_study(tmp_path, word, meant):
    said = faults(tmp_path, LEAST + f"trial: {{plates: 24, edges: [{word}]}}\n")["trial.edges"]
    assert (f"did you mean {meant}?" in said) if meant else "did you mean" not in said


@pytest.mark.parametrize("text,row,found,remedy", [
    ("limits:\n\tremoval_um: 40", 2, "a tab", "indent with spaces"),
    ("study: a\nstudy: b", 2, "study", "it stands on line 1 already"),
    ("study:a\nlog: b.csv", 2, "a colon where none can stand", "the one above"),
    ("promise: {share: 0,90, confidence: 0.95}", 1, "90", "numbers have a point"),
    ("limits: {edge_radius_mm: [0,2, 0,9]}", 1, "(0, 2, 0, 9)", "numbers have a point"),
    ("limits: {edge_radius_mm: [None, 0.9]}", 1, "('None', 0.9)", "[0.2, null]"),
])
def test_slips_of_the_pen_in_a_study_file_are_named_in_plain_words(tmp_path, text, row, found, remedy):
    path = tmp_path / "study.yaml"
    path.write_text(text + "\n")
    with pytest.raises(StudyError) as error:
        read_study(path)
    assert [(p.row, p.found) for p in error.value.problems if remedy in p.remedy] == [(row, found)]


def test_what_is_taken_for_many_jobs_is_told_once(tmp_path):
    job = "  - {material: S355, thickness_mm: 12, drum_pressure_kPa: 60, grit: P80, sheet_hours: [0, 8]}\n"
    text = WHOLE[:WHOLE.index("jobs:")] + "jobs:\n" + 40 * job
    told = [t for t in read(tmp_path, text).told if "passes" in t]
    assert told == ["jobs 1 to 40: no passes given, 1 pass is taken."]
