"""Broken logs, one a line: what is said of each, by kind, row, column, what was found and what was wanted."""

from __future__ import annotations

import os
import time
from decimal import Decimal

import openpyxl
import pandas as pd
import pytest
from hostile import (
    CLEAN,
    below,
    beside,
    bomb,
    claims,
    csv_of,
    dates_for_numbers,
    formulas,
    frame_parquet,
    in_page,
    many_rows,
    nested,
    patched,
    sheet,
    sqlite_file,
    with_cell,
)

from edgefinish.errors import LogError
from edgefinish.triallog import read_log

RADIUS = CLEAN.columns.get_loc("edge_radius_mm") + 1
INCHES = CLEAN.assign(thickness_mm=["0.5 in"] * 4 + ["120"] * 4 + ["0.5 in"] * 8)
HALF = CLEAN.assign(feed_speed_m_min=["1.5", "1.5", "2", "2"] + ["1.75"] * 12)
DIVIDED = csv_of(separator=";").replace(";", ",", 5 * 11).encode()

# name: (file name, bytes, row, column, found, wanted); the words must stand in what is said of that row and column.
FILES = {
    # Text
    "empty": ("a.csv", b"", None, None, "nothing in a.csv", "a header"),
    "only separators": ("a.csv", b";;;\r\n;;;\r\n", None, None, "nothing in a.csv", "a header"),
    "only a header": ("a.csv", csv_of(CLEAN[:0]).encode(), None, None, "no rows", "a row for each measured edge"),
    "no header": ("a.csv", csv_of().partition("\r\n")[2].encode(), 1, "run", "no such column", "the column run"),
    "a NUL in a cell": ("a.csv", csv_of().replace("S355", "S3\x0055", 1).encode(), None, None, "a.csv", "text in"),
    "NULs alone": ("a.csv", b"\0" * 5000, None, None, "a.csv", "text in UTF-8"),
    "UTF-16 without its mark": ("a.csv", csv_of().encode("utf-16-le"), None, None, "a.csv", "text in UTF-8"),
    "UTF-16 cut in a letter": ("a.csv", csv_of().encode("utf-16")[:-1], None, None, "a.csv", "text in UTF-8"),
    "a workbook named csv": ("a.csv", sheet(), None, None, "a workbook or other packed file named a.csv", "text"),
    "an old workbook named csv": ("a.csv", b"\xd0\xcf\x11\xe0\0\0", None, None, "an old workbook named a.csv", "text"),
    "a parquet file named csv": ("a.csv", frame_parquet(CLEAN), None, None, "a parquet file named a.csv", "text"),
    "a page named csv": ("a.csv", b"<html><table><tr><td>run</td></tr></table>", None, None, "no rows", "a row for"),
    "a stray quote": ("a.csv", csv_of().replace("S355", '"S355', 1).encode(), 2, None, "", "quotes open and close"),
    "text after a quote": ("a.csv", csv_of().replace("S355", '"S3"55', 1).encode(), 2, None, "", "quotes open"),
    "a cell of 10 MB": ("a.csv", csv_of().replace("S355", "S" * 10**7, 1).encode(), 2, None, "a cell of more than",
                        "a trial log"),
    "a line of 10 MB": ("a.csv", csv_of().encode() + b"," * 10**7, 18, None, "10000001 cells", "16384 columns"),
    "a header of 10 MB": ("a.csv", b"run," * 2_500_000, 1, None, "2500001 cells", "16384 columns"),
    "mixed separators": ("a.csv", DIVIDED, 6, "grit", "P80;A1;1.5", "a P-scale grit"),
    "a decimal comma in a comma file": ("a.csv", csv_of().replace(",1.5,", ",1,5,", 1).encode(), 2, None, "12 cells",
                                        "11 cells"),
    "cut off in the last row": ("a.csv", csv_of()[:-12].encode(), 17, None, "no line end", "a last row that is whole"),
    "cut off in a quote": ("a.csv", csv_of(CLEAN.assign(note='"x\ny"'))[:-5].encode(), 17, None, "", "quotes open"),
    "two headers": ("a.csv", (csv_of(CLEAN[["run", "material", "grit", "passes"]][:3]) + csv_of()).encode(), 1, None,
                    "a header here and in row 5", "one table"),
    "another header below": ("a.csv", (csv_of() + csv_of(CLEAN[CLEAN.columns[::-1]])).encode(), 18, None,
                             "a second header", "one table"),
    "totals below": ("a.csv", (csv_of() + "mean,,12,,,,,,,0.32,\r\n").encode(), 18, "run", "mean",
                     "a row of one edge"),
    "ambiguous thousands": ("a.csv", csv_of(with_cell(7, "feed_speed_m_min", "1.200,5")).encode(), 7,
                            "feed_speed_m_min", "1.200,5", "one reading"),
    "mixed inches and a bare number": ("a.csv", csv_of(INCHES).encode(), 6, "thickness_mm", "120", "one reading"),
    "a run half against half": ("a.csv", csv_of(HALF).encode(), 4, "feed_speed_m_min", "1.5 m/min and 2 m/min",
                                "more than half"),
    "a name of control signs": ("a.csv", csv_of(with_cell(4, "material", "S3\x1b[2J55")).encode(), 4, "material",
                                "S3\x1b[2J55", "can be printed"),
    "a name of a page": ("a.csv", csv_of(with_cell(4, "run", "R" * 5000)).encode(), 4, "run", "RRR", "at most 100"),
    "a number of 5000 digits": ("a.csv", csv_of(with_cell(4, "contact_hours", "9" * 5000)).encode(), 4,
                                "contact_hours", "999", "a number in h"),
    "a fraction of many digits": ("a.csv", csv_of(with_cell(4, "contact_hours", "9" * 50 + "/1")).encode(), 4,
                                  "contact_hours", "999", "a number"),
    "points that a reader would chew on": ("a.csv", csv_of(with_cell(4, "contact_hours", "1" + "." * 100_000 + "x"))
                                           .encode(), 4, "contact_hours", "1...", "a number in h"),
    "hyphens that a reader would chew on": ("a.csv", csv_of(CLEAN.assign(cut_process="-" * 90_000)).encode(), 2,
                                            "cut_process", "---", "at most 100"),
    "columns twice": ("a.csv", csv_of(pd.concat([CLEAN, CLEAN[["grit"]]], axis=1)).encode(), 1, "grit", "grit and grit",
                      "one column that means grit"),
    "other columns twice": ("a.csv", csv_of(pd.concat([CLEAN, CLEAN[["run", "run"]].set_axis(["hall", "hall"], axis=1)],
                                                      axis=1)).encode(), 1, "hall", "hall twice", "different"),
    "ten thousand columns, one needed missing": (
        "a.csv", csv_of(pd.concat([CLEAN.drop(columns="grit"), pd.DataFrame("x", CLEAN.index, [
            f"c{i}" for i in range(10_000)])], axis=1)).encode(), 1, "grit", "no such column", "the column grit"),
    # Workbooks
    "half a workbook": ("a.xlsx", sheet()[:3000], None, None, "a.xlsx", "can be opened"),
    "text named xlsx": ("a.xlsx", csv_of().encode(), None, None, "a.xlsx", "can be opened"),
    "a zip that is no workbook": ("a.xlsx", b"PK\x05\x06" + b"\0" * 18, None, None,
                                  "a.xlsx", "can be opened"),
    "a zip bomb": ("a.xlsx", bomb(), None, None, "700 MB once unpacked", "at most 600 MB"),
    "a claim of 2 GB": ("a.xlsx", claims(2_000_000_000), None, None, "2000 MB once unpacked", "at most 600 MB"),
    "a claim of too little": ("a.xlsx", claims(100), None, None, "a.xlsx", "can be opened"),
    "a row numbered in billions": ("a.xlsx", in_page('<row r="17"', '<row r="4000000000"'), None, None,
                                   "beyond a sheet", "rows in order"),
    "a row numbered 1e9": ("a.xlsx", in_page('<row r="17"', '<row r="1e9"'), None, None, "beyond a sheet", "rows in"),
    "a cell in column AAAAAAA": ("a.xlsx", in_page('r="K17"', 'r="AAAAAAA17"'), None, None, "beyond a sheet", "rows"),
    "a row that stands there twice": ("a.xlsx", in_page('<row r="9"', '<row r="8"'), None, None, "twice", "in order"),
    "the last row of a sheet filled, with a formula": (
        "a.xlsx", sheet(lambda p: (p.cell(1_048_576, 16_384).__setattr__("value", "x"),
                                   p.cell(2, 12).__setattr__("value", "=1"))), None, None, "more than", "can hold"),
    "everything merged": ("a.xlsx", in_page("</sheetData>", '</sheetData><mergeCells><mergeCell ref="A20:XFD1048576"/>'
                                            "</mergeCells>"), None, None, "merged cells A20:XFD1048576", "within"),
    "entities that explode": ("a.xlsx", in_page("<worksheet", '<!DOCTYPE x [<!ENTITY a "aaaa">]><worksheet'), None,
                              None, "a part xl/worksheets/sheet1.xml", "a plain workbook"),
    "a sheet in UTF-16": ("a.xlsx", in_page("<worksheet", "\0<worksheet"), None, None, "a part xl/worksheets",
                          "a plain workbook"),
    "a formula not worked out": ("a.xlsx", sheet(lambda p: p.cell(3, RADIUS).__setattr__("value", "=1/3")), 3,
                                 "edge_radius_mm", "=1/3", "the value of this formula"),
    "formulas under another prefix": (
        "a.xlsx", in_page(">0.31</v>", "></v><x:f>1/3</x:f>", in_page("<worksheet ", '<worksheet xmlns:x="http://schemas'
                          '.openxmlformats.org/spreadsheetml/2006/main" ')), 3, "edge_radius_mm", "1/3",
        "the value of this formula"),
    "formulas whose value is out of date": ("a.xlsx", formulas(0.4), 2, "edge_radius_mm", "=1/3", "the value of this"),
    "a formula that failed": ("a.xlsx", sheet(lambda p: p.cell(4, RADIUS).__setattr__("value", "#DIV/0!")), 4,
                              "edge_radius_mm", "#DIV/0!", "a number in mm"),
    "cells merged across": ("a.xlsx", sheet(lambda p: p.merge_cells("J3:K3")), 3, "edge_radius_mm", "merged over J3:K3",
                            "a cell for each column"),
    "dates where numbers belong": ("a.xlsx", sheet(dates_for_numbers), 2, "thickness_mm", "2026-08-03", "a number"),
    "numbers where dates belong": ("a.xlsx", sheet(frame=CLEAN.assign(date=46_000)), 2, "date", "46000", "a date"),
    "two tables side by side": ("a.xlsx", sheet(beside), 1, "run", "run and run", "one column that means run"),
    "a table of something else below": ("a.xlsx", sheet(below), 19, "thickness_mm", "price", "a number in mm"),
    "nothing on the first sheet": ("a.xlsx", sheet(lambda p: p.delete_rows(1, 20)), None, None, "nothing in a.xlsx",
                                   "a header"),
    "yes for a number of passes": ("a.xlsx", sheet(lambda p: p.cell(2, 11).__setattr__("value", True)), 2, "passes",
                                   "TRUE", "a whole number"),
    # Parquet
    "half a parquet file": ("a.parquet", frame_parquet(CLEAN)[:500], None, None, "a.parquet", "can be opened"),
    "lists for numbers": ("a.parquet", nested(), 2, "edge_radius_mm", "", "a number in mm"),
    "bytes for names": ("a.parquet", frame_parquet(CLEAN.assign(run=[b"\0\1"] * 16)), 2, "run", "bytes", "a word"),
    "two million rows in a small parquet file": ("a.parquet", many_rows(), None, None, "2000000 rows", "at most"),
    "times for hours": ("a.parquet", frame_parquet(CLEAN.assign(contact_hours=[pd.Timedelta(hours=1)] * 16)), 2,
                        "contact_hours", "", "a number in h"),
}


def said_of(source, **options):
    with pytest.raises(LogError) as caught:
        read_log(source, **options)
    assert type(caught.value) is LogError and len(str(caught.value)) < 30_000
    return caught.value.problems


@pytest.mark.parametrize("kind", FILES)
def test_a_broken_file_is_refused_with_row_column_found_and_wanted(kind, tmp_path):
    name, data, row, column, found, wanted = FILES[kind]
    (tmp_path / name).write_bytes(data)
    began = time.process_time()
    problems = said_of(tmp_path / name)
    assert time.process_time() - began < 15  # seconds; all but the bombs take a few milliseconds
    assert [p for p in problems if (p.row, p.column) == (row, column) and found in p.found and wanted in p.wanted], \
        [str(p) for p in problems[:5]]


# A script that changes the SQLite file, and what is said when its table `edges` is read.
DATABASES = {
    "a view without end": ("alter table edges rename to old; create view edges as with recursive r(run) as (select 1 "
                           "union all select run + 1 from r) select * from r where run < 0", "no answer in time"),
    "a view that calls what the file brings": ("alter table edges rename to old; create view edges as select "
                                               "load_extension('x') run from old", "a sqlite database"),
    "a view of a table that is gone": ("create view v as select * from edges; alter table edges rename to old; create "
                                       "view edges as select * from gone", "a sqlite database"),
    "a cell of two million bytes": ("update edges set run = zeroblob(2000000)", "a sqlite database"),
    "bytes for names": ("update edges set run = x'0001'", "bytes"),
    "no rows": ("delete from edges", "no rows"),
    "no table": ("drop table edges", "table='edges'"),
}


@pytest.mark.parametrize("kind", DATABASES)
def test_a_broken_database_is_refused(kind, tmp_path, monkeypatch):
    monkeypatch.setattr("edgefinish.databases.PATIENCE_S", 2.0)
    script, found = DATABASES[kind]
    problems = said_of(sqlite_file(tmp_path, script), table="edges")
    assert found in problems[0].found, problems[0]


def test_what_is_no_file_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "a.csv")
    assert "a pipe or a device" in said_of(tmp_path / "a.csv")[0].wanted
    (tmp_path / "b.csv").symlink_to("/dev/zero")
    assert "a pipe or a device" in said_of(tmp_path / "b.csv")[0].wanted
    (tmp_path / "c.csv").symlink_to("c.csv")
    assert said_of(tmp_path / "c.csv")
    with (tmp_path / "d.csv").open("wb") as file:
        file.truncate(2_000_000_000)  # a hole, not written to the disk
    assert "2000 MB" in said_of(tmp_path / "d.csv")[0].found


@pytest.mark.parametrize("cell", [10**400, -10**400, complex(1, 2), b"x", [1], {"a": 1}, (1, 2), float("-inf"),
                                  object(), pd.Interval(0, 1)])
@pytest.mark.parametrize("column", ["run", "contact_hours", "edge_radius_mm", "date", "grit"])
def test_cells_that_no_file_can_hold(cell, column):
    frame = CLEAN.assign(date="2026-03-04").astype(object)
    frame.at[3, column] = cell
    problems = said_of(frame)
    assert {(p.row, p.column) for p in problems} == {(5, column)}


def test_one_counts_as_a_number_and_yes_does_not():
    frame = CLEAN.astype(object)
    frame["passes"] = [1, 1, 1, True] * 4
    assert {(p.row, p.found) for p in said_of(frame)} == {(r, "TRUE") for r in (5, 9, 13, 17)}


def test_nothing_that_is_said_steers_the_terminal_that_shows_it():
    frame = CLEAN.rename(columns={"grit": "gr\x1b[2Jit", "edge_position": "edge_posi\u202etion"}).assign(hall="x")
    frame["\x07hall\x1b]0;x"] = 1
    for problem in said_of(frame):
        assert str(problem).isprintable(), problem
    log = read_log(CLEAN.assign(**{"burr_severity": "light", "feed \x1b speed": "1", "operator": "A\x1b[2J"}))
    assert all(str(m).isprintable() for m in log.messages)
    assert all(name.isprintable() for name in log.rows["operator"])


WORKED = ("xl/workbook.xml", 'fullCalcOnLoad="1"', "")  # as a spreadsheet program writes it once all is worked out
# Sound, though odd in form: they must be read, and give the rows of the clean log.
ODD = {
    "merged runs, a merged title": ("a.xlsx", sheet(lambda p: (p.insert_rows(1), p.cell(1, 1, "Trial"), p.merge_cells(
        "A1:K1"), [p.merge_cells(start_row=r, end_row=r + 3, start_column=1, end_column=1) for r in (3, 7, 11, 15)])),
        "merged cell A3:A6"),
    "hidden rows and columns": ("a.xlsx", sheet(lambda p: (
        [p.row_dimensions.__getitem__(r).__setattr__("hidden", True) for r in (4, 5)],
        p.column_dimensions["C"].__setattr__("hidden", True))), "read like the others: row 4, 5"),
    "formats that add a unit": ("a.xlsx", sheet(lambda p: [p.cell(r, 3).__setattr__("number_format", '0.0" mm"')
                                                           for r in range(2, 18)]), None),
    "formats that add another unit": ("a.xlsx", sheet(lambda p: [
        (p.cell(r, RADIUS).__setattr__("value", p.cell(r, RADIUS).value * 1000),
         p.cell(r, RADIUS).__setattr__("number_format", '0.0" µm"')) for r in range(2, 18)]), "' read as 0.3 mm"),
    "names that are numbers with zeros shown before them": ("a.xlsx", sheet(lambda p: [
        (p.cell(r, 1).__setattr__("value", int(p.cell(r, 1).value)),
         p.cell(r, 1).__setattr__("number_format", "000")) for r in range(2, 18)]), None),
    "a formula that came to nothing": ("a.xlsx", patched(*WORKED, in_page(
        "</sheetData>", '<row r="19"><c r="A19" t="str"><f>IF(B19="","","x")</f><v></v></c></row></sheetData>')), None),
    "no such style": ("a.xlsx", in_page('<c r="A2"', '<c s="9999" r="A2"'), None),
    "formulas worked out": ("a.xlsx", patched(*WORKED, in_page(
        "<v>0.3</v>", "<f>3/10</f><v>0.3</v>")), None),
    "a thousand columns": ("a.csv", csv_of(pd.concat([CLEAN, pd.DataFrame("x", CLEAN.index, [
        f"c{i}" for i in range(1000)])], axis=1)).encode(), None),
    "invisible signs in names": ("a.csv", csv_of(with_cell(3, "material", "S\u200b355\ufeff")).encode(),
                                 "spaces or invisible signs dropped"),
    "a note of a page": ("a.csv", csv_of(CLEAN.assign(note="word " * 20_000)).encode(), None),
    "a comma file whose last line has no end": ("a.csv", csv_of().rstrip().encode(), None),
    "a cell that is bold": ("a.xlsx", sheet(lambda p: p.cell(2, 2).__setattr__("font", openpyxl.styles.Font(b=True))),
                            None),
    "texts stored by their different values": ("a.parquet", frame_parquet(CLEAN), None),
    "numbers as exact decimals": ("a.parquet", frame_parquet(CLEAN.assign(
        edge_radius_mm=[Decimal(v) for v in CLEAN["edge_radius_mm"]])), None),
    "a table of a schema": (None, "", None),
}


@pytest.mark.parametrize("kind", ODD)
def test_a_sound_but_odd_file_is_read_right(kind, tmp_path):
    name, data, said = ODD[kind]
    expected = read_log(CLEAN).rows
    if name is None:
        log = read_log(sqlite_file(tmp_path, data), table="main.edges")
    else:
        (tmp_path / name).write_bytes(data)
        log = read_log(tmp_path / name)
    pd.testing.assert_frame_equal(log.rows[expected.columns], expected, check_exact=True)
    assert said is None or any(said in m.text for m in log.messages), log.messages


def test_accents_stored_in_two_ways_are_one_name():
    frame = CLEAN.assign(material=["Stähl", "Sta\u0308hl"] * 8)
    assert set(read_log(frame).rows["material"]) == {"Stähl"}
