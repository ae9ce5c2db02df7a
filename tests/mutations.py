"""Trial logs and study files changed by chance: sound changes whose right reading is known, faults, and plain noise.

`judge` tries one, by its number, and says what came out; `Wrong` is raised where anything but a right reading or a
refusal does. The same number gives the same input.
"""

from __future__ import annotations

import csv
import io
import math
import random
import re
import tempfile
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
from hostile import csv_of, frame_parquet, sheet

from edgefinish.errors import EdgeFinishError, LogError
from edgefinish.headers import meaning_of
from edgefinish.study import read_study
from edgefinish.triallog import TrialLog, read_log

DEMO = Path(__file__).parents[1] / "data" / "demo"
QUANTITIES = ("thickness_mm", "feed_speed_m_min", "drum_pressure_kPa", "contact_hours", "edge_radius_mm", "passes",
              "burr_height_mm", "residual_burr_mm", "removal_um")
NAMES = ("run", "material", "grit", "abrasive_sheet", "edge_position")
# Header in another unit and how many of it are one of the log's own: exact definitions (1 in = 25.4 mm, 1 psi =
# 6.894757 kPa by 1 lbf = 4.4482216152605 N, 1 bar = 100 kPa).
UNITS = {"thickness_mm": [("thickness [in]", 1 / 25.4), ("Thickness (cm)", 0.1), ("THICKNESS, mm", 1.0)],
         "feed_speed_m_min": [("feed speed [ft/min]", 1 / 0.3048), ("Feed speed mm/s", 1000 / 60),
                              ("feed_speed [in/min]", 1 / 0.0254)],
         "drum_pressure_kPa": [("drum pressure [psi]", 0.0254**2 / 4.4482216152605 * 1000),
                               ("Drum pressure (bar)", 0.01)],
         "contact_hours": [("contact hours [min]", 60.0), ("Contact-Hours", 1.0)],
         "edge_radius_mm": [("edge radius [µm]", 1000.0), ("edge radius (mil)", 1000 / 25.4),
                            ("Edge radius in", 1 / 25.4)]}
SPELLINGS = {"leading": ("Leading", "LEADING EDGE", " leading"), "trailing": ("Trail", "trailing "),
             "lateral": ("Lateral", "lateral edge"), "cutout": ("Cut-out", "cut out", "inner contour")}


class Wrong(AssertionError):
    """What came out is neither a right reading nor a refusal."""


@cache
def demo() -> pd.DataFrame:
    """The demo's log, all cells as text."""
    return pd.read_csv(DEMO / "trials.csv", dtype=str, keep_default_na=False)


def some_runs(rng: random.Random, runs: int = 3) -> pd.DataFrame:
    """A few runs of the demo's log; the columns that may be missing are there by chance."""
    names = list(dict.fromkeys(demo()["run"]))
    at = rng.randrange(len(names) - runs)
    rows = demo()[demo()["run"].isin(names[at:at + runs])].reset_index(drop=True)
    return rows.drop(columns=[c for c in ("burr_height_mm", "removal_um", "operator", "note", "date", "cut_process",
                                          "burr_severity", "residual_burr_mm") if rng.random() < 0.6])


def number(cell: str) -> float | None:
    """A plain decimal number, read as Python reads it; None for anything else."""
    return float(cell) if re.fullmatch(r"-?\d{1,15}(\.\d{1,9})?", cell, re.ASCII) else None


def wrong(what: str, *more: object) -> None:
    raise Wrong(f"{what}: {', '.join(map(repr, more))}")


# --- Sound changes: the right reading is that of the log before.

def other_units(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    there = sorted(set(UNITS) & set(log.columns))
    if not there:
        return log
    name = rng.choice(there)
    header, factor = rng.choice(UNITS[name])
    if any(bare and number(bare) is None for _, bare in map(_sign, log[name])):
        return log
    cells = [f"{sign}{float(bare) * factor:.12g}" if bare else "" for sign, bare in map(_sign, log[name])]
    return log.assign(**{name: cells}).rename(columns={name: header})


def _sign(cell: str) -> tuple[str, str]:
    return (cell[0], cell[1:]) if cell[:1] in ("<", ">") else ("", cell)


def units_in_cells(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    there = [c for c in UNITS if c in log.columns]
    if not there:
        return log
    name = rng.choice(there)
    unit = {"thickness_mm": "mm", "feed_speed_m_min": "m/min", "drum_pressure_kPa": "kPa", "contact_hours": "h",
            "edge_radius_mm": "mm"}[name]
    return log.assign(**{name: [f"{c} {unit}" if c else "" for c in log[name]]})


def columns_in_another_order(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    return log[rng.sample(list(log.columns), len(log.columns))]


def rows_in_another_order(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    return log.iloc[rng.sample(range(len(log)), len(log))]


def spaces(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    def padded(cell: str) -> str:
        return rng.choice(("", " ", "  ", "\u00a0", "\t")) + cell + rng.choice(("", " ", "\u202f")) if cell else cell

    name = rng.choice(list(log.columns))
    return log.assign(**{name: log[name].map(padded)}).rename(columns={name: f" {name} "})


def headers_in_another_case(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    turn = rng.choice((str.upper, str.title, lambda h: h.replace("_", "-"), lambda h: h.replace("_", " ")))
    return log.rename(columns={h: turn(h) for h in log.columns if "[" not in h and "(" not in h and h.isascii()})


def positions_as_spoken(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    name = "edge_position"
    return log.assign(**{name: [rng.choice(SPELLINGS[c]) if c else "" for c in log[name]]}) if name in log else log


def bare_grits(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    return log.assign(grit=[rng.choice((g, g[1:], g.lower(), f"{g[1:]}.0")) if g else "" for g in log["grit"]]) \
        if "grit" in log else log


def empty_rows(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    at = rng.randrange(len(log) + 1)
    gap = pd.DataFrame("", index=range(rng.randrange(1, 4)), columns=log.columns)
    return pd.concat([log.iloc[:at], gap, log.iloc[at:]])


def notes_of_every_kind(rng: random.Random, log: pd.DataFrame) -> pd.DataFrame:
    words = ('a "quoted" one', "two\nlines", "one; two, three\tfour", "=1+1", "0,5", "'", "<b>", "ü", "")
    return log.assign(**{rng.choice(("remark of the shift", "hall")): [rng.choice(words) for _ in range(len(log))]})


SOUND = (other_units, units_in_cells, columns_in_another_order, rows_in_another_order, spaces, headers_in_another_case,
         positions_as_spoken, bare_grits, empty_rows, notes_of_every_kind)


def _is_quantity(header: str) -> bool:
    return (meaning := meaning_of(header)) is not None and meaning.name in QUANTITIES


def carried(rng: random.Random, log: pd.DataFrame, folder: Path) -> object:
    """The log as a file of some kind, or as a DataFrame."""
    way = rng.random()
    if way < 0.45:
        return log.reset_index(drop=True)
    if way < 0.9:
        separator, mark = rng.choice(((",", "."), (";", "."), (";", ","), ("\t", ","), (",", ",")))
        if mark == ",":
            log = log.apply(lambda cells: cells.str.replace(".", ",") if _is_quantity(str(cells.name)) else cells)
        path = folder / "log.csv"
        path.write_bytes(csv_of(log, separator).encode(rng.choice(("utf-8", "utf-8-sig", "utf-16"))))
        return path
    if log.map(lambda c: "\x1b" in c).any(axis=None):
        way = 0.9  # no workbook can hold it
    path = folder / ("log.parquet" if way < 0.95 else "log.xlsx")
    path.write_bytes(frame_parquet(log) if way < 0.95 else _book(log))
    return path


def _book(log: pd.DataFrame) -> bytes:
    workbook = openpyxl.Workbook()
    workbook.active.append(list(log.columns))
    for row in log.to_numpy().tolist():
        workbook.active.append([n if (n := number(c)) is not None and h.endswith(("_mm", "_min", "_kPa")) else
                                ("'" + c if c.startswith("=") else c or None)
                                for h, c in zip(log.columns, row, strict=True)])
    out = io.BytesIO()
    workbook.save(out)
    return out.getvalue()


def same_reading(log: TrialLog, truth: pd.DataFrame) -> None:
    """Every row of the log before the change is there, with the same names and, to nine digits, the same numbers.

    Edges are told apart by all that identifies a row; a conversion and back costs at most the ninth digit.
    """
    if len(log.rows) != len(truth):
        wrong("rows", len(log.rows), len(truth))
    for name in (*NAMES, *(c for c in QUANTITIES if c in truth)):
        if name not in log.rows:
            if not (truth[name] == "").all():
                wrong("a column is gone", name)
            continue
        if name in NAMES:
            got, want = sorted(log.rows[name]), sorted(truth[name])
            if got != want:
                wrong(name, got, want)
    where = {tuple(r): i for i, r in enumerate(truth[["run", "edge_position"]].to_numpy().tolist())}
    for i, key in enumerate(log.rows[["run", "edge_position"]].to_numpy().tolist()):
        row = truth.iloc[where[tuple(key)]]
        for name in (c for c in QUANTITIES if c in truth and c in log.rows):
            sign, bare = _sign(row[name])
            got = log.rows[name].iloc[i]
            value, side = (float(got[1:]), got[0]) if isinstance(got, str) else (float(got), "")
            if side != sign or not (math.isnan(value) if not bare else math.isclose(value, float(bare), rel_tol=2e-9)):
                wrong(name, key, got, row[name])


def sound(rng: random.Random, folder: Path) -> str:
    """One to four sound changes, one after another: read right."""
    truth = some_runs(rng)
    if truth.duplicated(["run", "edge_position"]).any():
        raise Wrong("the demo measures a position of a plate twice")
    log, done = truth, []
    for change in rng.sample(SOUND, rng.randrange(1, 5)):
        log = change(rng, log) if change is not units_in_cells or "other_units" not in done else log
        done.append(change.__name__)
    try:
        same_reading(read_log(carried(rng, log, folder)), truth)
    except LogError as error:
        raise Wrong(f"refused after {done}: {error}") from None
    except Wrong as error:
        raise Wrong(f"after {done}: {error}") from None
    return "read right"


# --- Faults: each must be refused, and the row and column named.

Fault = Callable[[random.Random, pd.DataFrame], tuple[pd.DataFrame, int | None, str]]


def _cell_fault(name: str, *cells: str) -> Fault:
    def change(rng: random.Random, log: pd.DataFrame) -> tuple[pd.DataFrame, int | None, str]:
        at = rng.randrange(len(log))
        log = log.copy()
        log.loc[at, name] = rng.choice(cells)
        return log, at + 2, name

    return change


def no_unit(rng: random.Random, log: pd.DataFrame) -> tuple[pd.DataFrame, int | None, str]:
    name, bare = rng.choice((("thickness_mm", "thickness"), ("feed_speed_m_min", "Feed speed"),
                             ("drum_pressure_kPa", "drum pressure"), ("edge_radius_mm", "edge radius")))
    return log.rename(columns={name: bare}), 1, bare


def without(rng: random.Random, log: pd.DataFrame) -> tuple[pd.DataFrame, int | None, str]:
    name = rng.choice((*NAMES, "thickness_mm", "feed_speed_m_min", "contact_hours", "edge_radius_mm"))
    return log.drop(columns=name), 1, name


def twice(rng: random.Random, log: pd.DataFrame) -> tuple[pd.DataFrame, int | None, str]:
    name = rng.choice((*NAMES, "thickness_mm", "edge_radius_mm"))
    return pd.concat([log, log[[name]]], axis=1), 1, name


def all_in_thousands(rng: random.Random, log: pd.DataFrame) -> tuple[pd.DataFrame, int | None, str]:
    """Speeds such as 3.500 beside radii with decimal commas: 3,5 to one reader, 3500 to another."""
    log = log.assign(edge_radius_mm=[c.replace(".", ",") for c in log["edge_radius_mm"]],
                     feed_speed_m_min=f"{rng.randrange(1, 9)}.{rng.randrange(100, 999)}")
    return log, 2, "feed_speed_m_min"


FAULTS = (no_unit, without, twice, _cell_fault("edge_position", "laeding", "front", "left", "edge"),
          _cell_fault("grit", "240", "P85", "#80", "coarse", "P1000"),
          _cell_fault("thickness_mm", "thick", "-12", "0", "5000", "1.200,5", "12 m/min", "", "12 13", "<12", "nan"),
          _cell_fault("feed_speed_m_min", "fast", "1,200.5", "9999", "-1", "", "2 mm", "1e9", "--2", "2..5"),
          _cell_fault("edge_radius_mm", "sharp", "0", "-0.3", "0.3-0.4", "0.3 kPa", "~0.3", "99", "0,3,4", "0.3.4"),
          _cell_fault("contact_hours", "-1", "2 days", "1:30", "", "1e6"), _cell_fault("run", "", " ", "\x1b[2J"))


def faulty(rng: random.Random, folder: Path) -> str:
    """A sound log with one fault: refused, with its place."""
    log, row, column = rng.choice(FAULTS)(rng, some_runs(rng))
    try:
        read = read_log(carried(rng, log, folder) if log.columns.is_unique and rng.random() < 0.5 else log)
    except LogError as error:
        there = {(p.row, p.column) for p in error.problems}
        if (row, column) not in there and not any(r == row for r, _ in there):
            wrong("another place", row, column, str(error)[:500])
        return "refused"
    return wrong("a fault was read", row, column, read.rows[column].tolist() if column in read.rows else None)


# --- Noise: nothing but a refusal may come out, or rows in which every plain cell is what it says.

NOISE = ("\0", '"', ",", ";", "\t", "\r", "\n", "\ufeff", "é", "−", "1e9", "9" * 40, "=", "'", "<", "½", "\x1b",
         "\u200b", "٣", "1.2.3", "NaN", "inf", "#N/A", "-", "..", "()", "[in]", "[mm]", "mm", "\\", "😀",
         "\u202e", "\x85")


def noisy(rng: random.Random, data: bytes, changes: int) -> bytes:
    """Bytes changed, put in, taken out, cut off or moved, a few times."""
    for _ in range(changes):
        at, to = sorted((rng.randrange(len(data) + 1), rng.randrange(len(data) + 1)))
        length = min(to - at, rng.choice((1, 1, 2, 8, 64)))
        piece = rng.choice(NOISE).encode() if rng.random() < 0.6 else bytes([rng.randrange(256)])
        match rng.randrange(6):
            case 0:
                data = data[:at] + piece + data[at:]
            case 1:
                data = data[:at] + piece + data[at + length:]
            case 2:
                data = data[:at] + data[at + length:]
            case 3:
                data = data[:at] + data[to:to + length] + data[at:]
            case 4:
                data = data[:at] + bytes([data[at] ^ 1 << rng.randrange(8)]) + data[at + 1:] if at < len(data) else data
            case _:
                data = data[:to] if rng.random() < 0.1 else data
    return data


def plain_cells_say_what_they_say(log: TrialLog, data: bytes) -> None:
    """Against Python's own csv reader: a plain number under a canonical header is read as that number."""
    encoding = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError:
        text = data.decode("cp1252")
    tables = [list(csv.reader(io.StringIO(text, newline=""), delimiter=mark)) for mark in ",;\t"]
    grid = max(tables, key=lambda rows: sum(len(r) for r in rows[:20]))
    header = next((r for r in grid if sum(c in log.rows.columns for c in r) > 5), None)
    if header is None:
        return
    points = all("," not in c for r in grid for c in r)
    for i, row_number in enumerate(log.row_numbers):
        row = grid[row_number - 1]
        for name in QUANTITIES:
            if header.count(name) != 1 or len(row) <= header.index(name):
                continue
            value, got = number(row[header.index(name)].strip()), log.rows[name].iloc[i] if name in log.rows else None
            if value is not None and points and got is not None and not math.isclose(float(got), value, rel_tol=1e-9):
                wrong("a plain cell", row_number, name, row, got)


def sane(log: TrialLog) -> None:
    """What holds in every log that is read."""
    rows = log.rows
    if not len(rows) or not set(rows["edge_position"]) <= set(SPELLINGS):
        wrong("positions", rows["edge_position"].tolist())
    for name in ("thickness_mm", "feed_speed_m_min", "drum_pressure_kPa", "contact_hours", "passes"):
        values = rows[name].to_numpy(float)
        if not (np.isfinite(values).all() and (values >= 0).all()):
            wrong(name, values)
    if not all(isinstance(n, str) and n.strip() and n.isprintable() for c in NAMES for n in rows[c]):
        wrong("names", rows[list(NAMES)].to_numpy().tolist())
    if not all(str(m).isprintable() for m in log.messages):
        wrong("messages", log.messages)


def noise_in_text(rng: random.Random, folder: Path) -> str:
    """A csv file with noise."""
    return _text(noisy(rng, csv_of(some_runs(rng, 2), rng.choice(",;")).encode(), rng.choice((1, 2, 5, 20))), folder)


def noise_in_cells(rng: random.Random, folder: Path) -> str:
    """Cells and headers replaced by noise, whole or in part."""
    log = some_runs(rng, 2)
    grid = [list(log.columns), *log.to_numpy().tolist()]
    for _ in range(rng.choice((1, 1, 2, 4))):
        i, j = rng.randrange(len(grid)) if rng.random() < 0.7 else 0, rng.randrange(len(log.columns))
        cell = grid[i][j]
        at = rng.randrange(len(cell) + 1)
        grid[i][j] = rng.choice((rng.choice(NOISE), cell[:at] + rng.choice(NOISE) + cell[at:], cell[at:] + cell[:at],
                                 rng.choice(rng.choice(grid)), cell * 2))
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=rng.choice(",;\t")).writerows(grid)
    return _text(out.getvalue().encode("utf-8", "replace"), folder)


def _text(data: bytes, folder: Path) -> str:
    path = folder / "log.csv"
    path.write_bytes(data)
    try:
        log = read_log(path)
    except LogError as error:
        if not all(p.found is not None and p.wanted for p in error.problems):
            wrong("a fault without a word", error.problems)
        return "refused"
    sane(log)
    plain_cells_say_what_they_say(log, data)
    return "read right"


@cache
def _packed(kind: str) -> bytes:
    log = demo().iloc[:8]
    return sheet(frame=log) if kind == "xlsx" else frame_parquet(log)


def noise_in_packed_files(rng: random.Random, folder: Path) -> str:
    """A workbook with noise in its bytes. What is read at all holds the numbers that it held: parts have checksums."""
    path = folder / "log.xlsx"
    path.write_bytes(noisy(rng, _packed("xlsx"), rng.choice((1, 1, 3))))
    try:
        log = read_log(path)
    except LogError:
        return "refused"
    sane(log)
    same_reading(log, demo().iloc[:8])
    return "read right"


@cache
def _study() -> bytes:
    return (DEMO / "small-shop.yaml").read_bytes() + (
        b"jobs:\n- {material: A36, thickness_mm: 6, drum_pressure_kPa: 55, grit: P80, sheet_hours: [0, 15]}\n"
        if b"\njobs:" not in (DEMO / "small-shop.yaml").read_bytes() else b"")


def noise_in_studies(rng: random.Random, folder: Path) -> str:
    """A study file with noise: a study with numbers that can be, or a refusal."""
    path = folder / "study.yaml"
    path.write_bytes(noisy(rng, _study(), rng.choice((1, 2, 4, 10))))
    try:
        study = read_study(path)
    except EdgeFinishError as error:
        if type(error).__name__ not in ("StudyError", "JobError") or not error.problems:
            wrong("another kind of error", error)
        return "refused"
    for pair in (study.line.feed_speed_m_min, study.line.drum_pressure_kPa):
        if pair is not None and not 0 <= pair[0] < pair[1] < 1e16:
            wrong("a line", pair)
    if "/" in study.name or "\\" in study.name or study.name.startswith(".") or not study.name.isprintable():
        wrong("a name", study.name)
    return "read right"


KINDS = (sound, faulty, noise_in_text, noise_in_cells, noise_in_packed_files, noise_in_studies)
WEIGHTS = (0.22, 0.15, 0.24, 0.18, 0.04, 0.17)


def judge(seed: int) -> tuple[str, str]:
    """One input by its number: what kind it was, and what came out. Raises where that is wrong."""
    rng = random.Random(seed)
    kind = rng.choices(KINDS, WEIGHTS)[0]
    with tempfile.TemporaryDirectory() as folder:
        return kind.__name__, kind(rng, Path(folder))
