"""What a plan leaves: the form that comes back as a log, its pages, its folder; the verb that makes them."""

from __future__ import annotations

import io
import json
import re

import browser
import numpy as np
import openpyxl
import pytest

import edgefinish as ef
from edgefinish import cli
from edgefinish.forms import log_said
from edgefinish.trialform import fields_of, form_html, form_xlsx

TRIAL = ef.Trial(plates=14, sheets=4, edges=("leading", "cutout"))
JOINT = [ef.Job(material=m, cut_process=c, thickness_mm=t, drum_pressure_kPa=60, grit="P80", passes=p,
                edge_radius_mm=(0.2, 0.7), residual_burr_mm=0.05, burr_severity="moderate", removal_um=30)
         for m, c, t, p in (("0080", "laser", 9.525, 1), ("S355", "plasma", 12.7, 2))]
STUDY = """study: yard
line: {feed_speed_m_min: [0.9, 6.0]}
limits: {edge_radius_mm: [0.2, 0.7]}
trial: {plates: 12, sheets: 4, sheet_hours: [0, 15], cost: {plate: 20, sheet: 60}}
jobs: [{material: S355, thickness_mm: 10, drum_pressure_kPa: 60, grit: P80}]
"""


def planned(units="metric", jobs=JOINT) -> ef.Plan:
    """A small plan of the invented yard."""
    return ef.plan(jobs, feed_speed_m_min=(0.9, 6.0), trial=TRIAL, units=units, name="yard <b>",
                   severities={"moderate": (0.2, 0.5), "heavy": (0.5, 1.0)})


def opened(plan: ef.Plan) -> tuple[openpyxl.Workbook, dict[str, int]]:
    """The form as a spreadsheet has it, and the column of each header."""
    book = openpyxl.load_workbook(io.BytesIO(form_xlsx(plan)))
    return book, {cell.value: cell.column for cell in book.active[1]}


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_a_half_filled_form_is_read_as_a_log(tmp_path, units):
    plan = planned(units)
    book, at = opened(plan)
    sheet, unit = book.active, {"metric": "mm", "imperial": "in"}[units]
    scale = {"metric": 1.0, "imperial": 25.4}[units]
    measured = {row: round((0.25 + 0.01 * row) / scale, 4) for row in range(2, 16)}
    for row, value in measured.items():
        sheet.cell(row, at[f"edge radius [{unit}]"]).value = value
    sheet.cell(3, at[f"edge radius [{unit}]"]).value = "<0.01"
    sheet.cell(2, at["contact hours [h]"]).value = sheet.cell(3, at["contact hours [h]"]).value = 1.5
    path = tmp_path / "form.xlsx"
    book.save(path)
    log = ef.read_log(path)
    assert len(log.rows) == 28 and {m.kind for m in log.messages} == ({"converted"} if units == "imperial" else set())
    reading = log.reading("edge_radius_mm")
    assert np.isfinite(reading.value).sum() == len(measured) and (reading.side < 0).sum() == 1
    assert "14 measured edges on 7 plates" in log_said(log) and "14 rows without a reading" in log_said(log)
    np.testing.assert_allclose(reading.value[3:14], [measured[r] * scale for r in range(5, 16)], rtol=1e-8)
    wanted = plan.rows
    for name in ("run", "material", "cut_process", "grit", "abrasive_sheet", "edge_position", "burr_severity"):
        assert log.rows[name].tolist() == wanted[name].tolist(), name
    for name in ("feed_speed_m_min", "drum_pressure_kPa", "thickness_mm", "passes"):
        np.testing.assert_allclose(log.rows[name], wanted[name], rtol=1e-8)
    assert log.rows["contact_hours"].iloc[:2].tolist() == [1.5, 1.5]


def test_a_form_that_comes_back_empty_gives_no_evidence_and_no_traceback(tmp_path):
    (tmp_path / "form.xlsx").write_bytes(form_xlsx(planned(jobs=JOINT[:1])))
    log = ef.read_log(tmp_path / "form.xlsx")
    assert not np.isfinite(log.reading("edge_radius_mm").value).any()
    assert log_said(log).startswith("No edge is measured yet")


def rules_of(sheet, at) -> dict[str, list]:
    """The rules of each column, by its header."""
    rules = sheet.data_validations.dataValidation
    return {h: found for h, c in at.items() if (found := [r for r in rules if next(iter(r.sqref.ranges)).min_col == c])}


def test_what_says_which_row_is_which_is_locked_and_all_else_is_checked():
    plan = planned()
    book, at = opened(plan)
    sheet = book.active
    assert sheet.protection.sheet and not sheet.protection.password and sheet.freeze_panes == "B2"
    for field in fields_of(plan):
        cell, spare = (sheet.cell(row, at[field.header]) for row in (2, 30))
        assert cell.protection.locked is (field.name in ("run", "edge_position")), field.name
        assert not spare.protection.locked and spare.value is None
        assert (cell.fill.start_color.rgb == "FFEEEEEE") is not field.filled_on_floor, field.name
    assert all(sheet.cell(1, c).protection.locked for c in at.values())
    named = rules_of(sheet, at)
    assert set(at) - set(named) == {"operator", "note"} and all(len(found) == 1 for found in named.values())
    assert named["burr severity"][0].type == "list" and "heavy" in named["burr severity"][0].formula1
    assert "0.20 mm, at most 0.70 mm" in named["edge radius [mm]"][0].prompt
    # 28 edges under the header, and 3 plates of two edges left blank
    assert all(str(r.sqref).endswith("35") and r.prompt for found in named.values() for r in found)


def test_a_setting_is_corrected_in_the_form_and_slag_is_a_severity():
    plan = planned()
    book, at = opened(plan)
    named = rules_of(book.active, at)
    for header in ("feed speed [m/min]", "drum pressure [kPa]", "thickness [mm]", "passes", "material", "grit",
                   "abrasive sheet", "cut process"):
        assert named[header][0].prompt == "As planned; correct it if run otherwise, in every row of the plate."
        assert str(named[header][0].sqref).split(":")[0].endswith("2")
    assert (named["feed speed [m/min]"][0].formula1, named["passes"][0].type) == ("0.05", "whole")
    assert "slag" in named["burr severity"][0].formula1 and "P80" in named["grit"][0].formula1
    extra = named["run"][0]
    assert "run name not used above" in extra.prompt and str(extra.sqref).split(":")[0] == "A30"
    assert "blank rows at the end" in (book.active.oddHeader.left.text or "")


def test_a_corrected_setting_and_an_extra_plate_come_back_with_the_log(tmp_path):
    plan = planned()
    book, at = opened(plan)
    sheet = book.active
    for row in (2, 3):
        sheet.cell(row, at["feed speed [m/min]"]).value = 4.6
        sheet.cell(row, at["burr severity"]).value = "slag"
        sheet.cell(row, at["edge radius [mm]"]).value = 0.3
    for column in at.values():
        sheet.cell(30, column).value = sheet.cell(2, column).value
    sheet.cell(30, at["run"]).value = "X1"
    sheet.cell(30, at["edge radius [mm]"]).value = 0.4
    path = tmp_path / "form.xlsx"
    book.save(path)
    log = ef.read_log(path)
    assert len(log.rows) == 29 and not log.messages
    assert log.rows["feed_speed_m_min"].iloc[:2].tolist() == [4.6, 4.6]
    assert (log.rows["run"].iloc[-1], log.rows["edge_radius_mm"].iloc[-1]) == ("X1", 0.4)
    assert log.rows["burr_severity"].iloc[[0, -1]].tolist() == ["slag", "slag"]
    sheet.cell(30, at["material"]).value = None  # a blank row that is half filled is no blank row
    book.save(path)
    with pytest.raises(ef.LogError, match="row 30, column material"):
        ef.read_log(path)


DIFFER = [ef.Job(material="MS-50", thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.25, 0.8)),
          ef.Job(material="MS-50", thickness_mm=16, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.25, 0.8)),
          ef.Job(material="WR-400", thickness_mm=12, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.5, 1.2),
                 removal_um=30)]


def test_limits_stand_as_they_are_for_each_job():
    plan = planned(jobs=DIFFER)
    page = form_html(plan).replace("\N{NO-BREAK SPACE}", " ")
    assert "<li><b>MS-50, 10 mm; MS-50, 16 mm</b>: edge radius 0.25 mm to 0.80 mm</li>" in page
    assert "<li><b>WR-400, 12 mm</b>: edge radius 0.50 mm to 1.20 mm; removal off the face at most 30 µm</li>" in page
    alike = form_html(planned(jobs=DIFFER[:2])).replace("\N{NO-BREAK SPACE}", " ")
    assert "<p>To be promised: edge radius 0.25 mm to 0.80 mm.</p>" in alike
    book, at = opened(plan)
    sheet, named = book.active, rules_of(book.active, at)
    told = {}
    for header in ("edge radius [mm]", "removal [µm]"):
        for rule in named[header]:
            area = next(iter(rule.sqref.ranges))
            assert f"{openpyxl.utils.get_column_letter(area.min_col)}{area.min_row})" in rule.formula1
            for row in range(area.min_row, area.max_row + 1):
                told.setdefault((header[:4], sheet.cell(row, at["material"]).value), set()).add(
                    rule.prompt.partition("To be promised: ")[2])
    assert told["edge", "MS-50"] == {"at least 0.25 mm, at most 0.80 mm."} and told["remo", "MS-50"] == {""}
    assert told["edge", "WR-400"] == {"at least 0.50 mm, at most 1.20 mm."}
    assert told["remo", "WR-400"] == {"at most 30 µm."}
    blank, = told["remo", None]
    assert blank.replace("\N{NO-BREAK SPACE}", " ") == (
        "MS-50, 10 mm and MS-50, 16 mm: no limit; WR-400, 12 mm: at most 30 µm.")


def test_the_rule_for_a_reading_takes_what_the_log_takes():
    # The formula's meaning, by its own parts: a number in the log's range, or < or > and a number.
    book, at = opened(planned())
    rule = next(r for r in book.active.data_validations.dataValidation
                if next(iter(r.sqref.ranges)).min_col == at["edge radius [mm]"])
    low, high = (float(v) for v in re.findall(r"[<>]=([\d.]+)", rule.formula1))
    from edgefinish.units import QUANTITIES
    assert (low, high) == (QUANTITIES["edge_radius_mm"].low, QUANTITIES["edge_radius_mm"].high)
    assert rule.formula1.startswith("OR(AND(ISNUMBER(") and "IFERROR(" in rule.formula1 and len(rule.formula1) < 256


def test_text_stays_text_and_the_bytes_stay_the_same():
    plan = planned()
    book, at = opened(plan)
    assert "0080" in {book.active.cell(r, at["material"]).value for r in range(2, 30)}
    assert form_xlsx(plan) == form_xlsx(planned())


def test_the_page_to_print_has_a_box_for_each_edge():
    plan = planned()
    page = form_html(plan)
    assert page.count('class="box"') == 28 * 5  # radius, burr before and after, removal, note
    assert "yard &lt;b&gt;" in page and "<b>yard" not in page
    assert page.count("<h2>Sheet ") == len(plan.runs.groupby(["abrasive_sheet", "visit"]))
    assert "Lock off" in page and "line maker's manual" in page.replace("&#39;", "'")


@browser.needed
def test_names_of_runs_and_headings_are_not_broken_on_the_page_to_print(tmp_path):
    (tmp_path / "form.html").write_text(form_html(planned()), encoding="utf-8")
    with browser.chromium(980) as driver:
        browser.visit(driver, tmp_path / "form.html")
        lines = driver.execute_script("""
          return [...document.querySelectorAll("tbody tr:first-child td:first-child, th")].map(cell => {
            const range = document.createRange(); range.selectNodeContents(cell);
            return [cell.textContent, new Set([...range.getClientRects()].map(r => r.top)).size]; })""")
    assert {"run", "passes"} < {text for text, _ in lines}
    assert all(count <= len(text.split()) for text, count in lines)


@pytest.fixture
def file(tmp_path):
    """A study that names no log."""
    path = tmp_path / "study.yaml"
    path.write_text(STUDY, encoding="utf-8")
    return path


def test_the_verb_leaves_a_folder_and_says_what_is_in_it(file, capsys):
    assert cli.main(["plan", str(file), "--quick"]) == 0
    folder, said = file.parent / "yard-plan", capsys.readouterr().out
    assert {p.name for p in folder.iterdir()} == {"plan.csv", "plan.json", "plan.html", "form.xlsx", "form.html"}
    assert "12 plates on 4 abrasive sheets" in said and "form.xlsx" in said
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    assert cli.main(["plan", str(file), "--quick", "--json"]) == 0
    left = json.loads(capsys.readouterr().out)
    assert len(left["runs"]) == 12 and left["expected"] is None
    assert before == {p.name: p.read_bytes() for p in folder.iterdir()}


def test_a_filled_form_is_never_overwritten(file, capsys):
    assert cli.main(["plan", str(file), "--quick", "--quiet"]) == 0
    form = file.parent / "yard-plan" / "form.xlsx"
    book = openpyxl.load_workbook(form)
    book.active["L2"].value = 0.31
    book.save(form)
    kept = form.read_bytes()
    assert cli.main(["plan", str(file), "--quick"]) == 1
    assert "form.xlsx, which was changed since" in capsys.readouterr().err and form.read_bytes() == kept


def test_a_folder_of_somebody_elses_is_left_alone(file, capsys):
    folder = file.parent / "notes"
    folder.mkdir()
    (folder / "own.txt").write_text("mine", encoding="utf-8")
    assert cli.main(["plan", str(file), "--quick", "--out", str(folder)]) == 1
    assert "nothing in it was touched" in capsys.readouterr().err
    assert [p.name for p in folder.iterdir()] == ["own.txt"]
    assert not [p for p in file.parent.iterdir() if p.name.startswith(".")]


@pytest.mark.parametrize(("units", "bound"), [("metric", "0.1"), ("imperial", "0.004")])
def test_a_reading_below_the_gauge_is_shown_in_the_form_s_own_unit(units, bound):
    """A bound of 0.10 under a header in inches would be one of 2.54 mm."""
    plan = planned(units)
    assert f"as &lt;{bound};" in form_html(plan)
    rules = opened(plan)[0].active.data_validations.dataValidation
    radius = next(rule for rule in rules if (rule.promptTitle or "").startswith("edge radius"))
    assert f"as <{bound}." in radius.prompt
