"""The trial log: read, checked, every fault at once in the row numbers that the spreadsheet shows."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from .cells import Marks, Reading, as_reading, decimal_marks, read_dates, read_quantity
from .checks import (
    SETTINGS,
    Gathered,
    agreeing_rows,
    label,
    one_spelling,
    tell_edges_as_runs,
    tell_hours_backwards,
    tell_names_alike,
    tell_odd_speeds,
    tell_pasted_twice,
    tell_rare_materials,
    tell_slips,
)
from .errors import LogError, Problem, nearest
from .findings import Column, Findings, Message, as_written
from .headers import CANONICAL, MEASURED, REQUIRED, TEXT, Use, assign, fitting, plain, shared_out
from .job import several
from .sources import SourceLike, Table, read_table
from .twologs import numbered_alike, tell_sheets_of_two_logs
from .units import QUANTITIES, System, shown
from .words import read_grits, read_positions, read_processes, read_severities, read_words, spread

__all__ = ["Message", "Reading", "TrialLog", "read_log"]
_TOTALS = {"total", "totals", "sum", "mean", "average", "avg", "median", "minimum", "maximum", "min", "max", "count",
           "sd", "std", "summe", "gesamt", "mittel", "mittelwert", "durchschnitt", "somme", "moyenne"}
Sheets = str | Sequence[str] | None
_SPECIAL = {"grit": read_grits, "edge_position": read_positions, "cut_process": read_processes,
            "burr_severity": read_severities}


@dataclass(frozen=True)
class Part:
    """One source of a log after reading: its columns by canonical name, its row numbers, the header of each column."""

    columns: Mapping[str, pd.Series]
    row_numbers: np.ndarray
    headers: Mapping[str, str]


@dataclass(frozen=True, eq=False, repr=False)
class TrialLog:
    """A trial log that has passed its checks.

    `rows`: one row for each measured edge, in the log's order, numbered from 0. Columns in the order of the contract,
    then the others as they were. Text columns hold text, missing where blank; settings are float64 in the unit that
    the name carries; measured columns are float64, or hold floats and texts such as "<0.1" where some readings are
    censored; `date`, where given, is datetime64. `passes` is always there. An optional column without a single value
    is left out.
    `messages`: what was converted, set aside or only told. `source` names the log without folders or credentials.
    `sha256` is that of the file's bytes (of several files: of their digests in order; of a DataFrame or a database
    table: of `rows` written as csv). `row_numbers`: the row in the spreadsheet of each row.
    """

    rows: pd.DataFrame
    messages: tuple[Message, ...]
    source: str
    sha256: str
    row_numbers: np.ndarray

    def __repr__(self) -> str:
        return f"TrialLog({self.source}: {len(self.rows)} rows, {len(self.messages)} messages)"

    def reading(self, column: str) -> Reading:
        """A measured column as numbers and sides; all not measured where the log lacks it.

        Raises `LogError` for a column that is not a measured one.

        >>> log = TrialLog(pd.DataFrame({"edge_radius_mm": ["<0.1", 0.3]}), (), "demo", "", np.array([2, 3]))
        >>> log.reading("edge_radius_mm")
        Reading(value=array([0.1, 0.3]), side=array([-1,  0], dtype=int8))
        """
        if column not in MEASURED:
            raise LogError(Problem(None, column, column, f"one of {', '.join(MEASURED)}", nearest(column, MEASURED)))
        n = len(self.rows)
        if column not in self.rows:
            return Reading(np.full(n, np.nan), np.zeros(n, dtype=np.int8))
        return as_reading(self.rows[column])

    @cached_property
    def measured(self) -> np.ndarray:
        """Rows of which anything was measured after the run, (n,): a form may come back half filled in."""
        return np.any([np.isfinite(self.reading(name).value) for name in MEASURED if name != "burr_height_mm"], axis=0)

    def of_measured(self) -> TrialLog:
        """Without rows of which nothing was measured; as it is where nothing was at all.

        >>> rows = pd.DataFrame({"run": ["1", "2"], "edge_radius_mm": [0.3, None]})
        >>> TrialLog(rows, (), "form.xlsx", "", np.array([2, 3])).of_measured().rows["run"].tolist()
        ['1']
        """
        keep = self.measured
        if keep.all() or not keep.any():
            return self
        return replace(self, rows=self.rows[keep], row_numbers=self.row_numbers[keep])

    def summary(self, system: System = "metric") -> str:
        """The log in a short paragraph: how much was run, on what, over which span, what was measured."""
        rows, edges = self.of_measured().rows, int(self.measured.sum())
        text = [f"{self.source}: {_count(edges, 'measured edge')}, {_count(rows['run'].nunique(), 'run')}, "
                f"{_count(rows['abrasive_sheet'].nunique(), 'abrasive sheet')}."]
        for column in ("material", "cut_process", "burr_severity", "grit", "edge_position"):
            if column in rows:
                counts = rows[column].value_counts()
                text.append(f"{label(column).capitalize()}: "
                            + ", ".join(f"{name} ({_count(n, 'row')})" for name, n in counts.items()) + ".")
        spans = []
        for column in SETTINGS:
            if column in QUANTITIES:
                low, high = rows[column].min(), rows[column].max()
                one, other = shown(column, low, system), shown(column, high, system)
                spans.append(f"{label(column)} {one if low == high else f'{one} to {other}'}")
        text.append(f"Settings: {', '.join(spans)}.")
        for column in MEASURED:
            if column in rows:
                reading = self.reading(column)
                parts = [_count(int(np.isfinite(reading.value).sum()), "reading")]
                parts += [f"{n} {words}" for n, words in ((int((reading.side < 0).sum()), "below the gauge"),
                                                          (int((reading.side > 0).sum()), "above it")) if n]
                text.append(f"{label(column).capitalize()}: {', '.join(parts)}.")
        return " ".join(text)


def _count(number: int, thing: str) -> str:
    return f"{number} {thing}{'' if number == 1 else 's'}"


def read_log(source: SourceLike | Sequence[SourceLike], *, sheet: Sheets = None, table: str | None = None,
             columns: Mapping[str, object] | None = None) -> TrialLog:
    """Read and check a trial log: a .csv, .xlsx or .parquet file, a database URL, a DataFrame, or a list of them.

    `sheet` names the sheet of a workbook, or a list of them, `table` the table of a database. `columns` maps
    the shop's own column to a name that the log knows, with its unit, or such a name to a constant; of a list of logs,
    those that have the column, or that lack what is constant. Raises `LogError` with every fault at once.

    >>> import pandas as pd, edgefinish as ef
    >>> frame = pd.DataFrame({"run": "1", "Grade": "S355", "thickness (in)": "0.5", "feed speed [ft/min]": 6,
    ...     "drum_pressure_kPa": 60, "abrasive_sheet": "A1", "contact_hours": 2,
    ...     "edge_position": ["leading", "Cut-out"], "edge_radius_mm": ["0.31", "<0.10"]})
    >>> log = ef.read_log(frame, columns={"Grade": "material", "grit": "P80"})
    >>> log.rows["feed_speed_m_min"].tolist(), log.rows["grit"].tolist()
    ([1.8288, 1.8288], ['P80', 'P80'])
    >>> [str(m) for m in log.messages][-1]
    "row 3, column edge_position: converted: 'Cut-out' read as cutout"
    """
    return read_beside(source, sheet, table, columns, (), in_study=False)


def read_beside(source: SourceLike | Sequence[SourceLike], sheet: Sheets, table: str | None,
                columns: Mapping[str, object] | None, earlier: Sequence[SourceLike], in_study: bool = True) -> TrialLog:
    """`read_log` of a study, where `columns` may also name columns that only earlier logs of the line have."""

    def headers() -> list[Sequence[str]]:
        read = (read_table(one, None, None, columns, Findings()) for one in earlier)
        return [one.header for one in read if one is not None]

    return _read(source, sheet, table, columns, lambda own: shared_out(own, columns or {}, headers), in_study)


def read_earlier(source: SourceLike, columns: Mapping[str, object] | None) -> TrialLog:
    """Read an earlier log of the same line, for which `columns` were not written: what fits its header is used."""
    return _read(source, None, None, columns, lambda own: [fitting(header, columns or {}) for header in own],
                 in_study=True)


def messages_of(log: TrialLog, earlier: Iterable[TrialLog]) -> list[Message]:
    """What was told of a log and of earlier logs, each of theirs under its file."""
    return [*log.messages, *(replace(m, file=past.source) for past in earlier for m in past.messages)]


def _read(source: SourceLike | Sequence[SourceLike], sheet: Sheets, table: str | None,
          columns: Mapping[str, object] | None, share: Callable[[list[Sequence[str]]], list[dict[str, object]]],
          in_study: bool) -> TrialLog:
    listed = isinstance(source, (list, tuple))
    sources = tuple(source) if listed else (source,)
    sheets = _sheets(sheet)
    if columns is not None and not isinstance(columns, Mapping):
        raise LogError(Problem(None, None, type(columns).__name__, "columns= as names and what they mean"), "trial log")
    if not sources:
        raise LogError(Problem(None, None, "an empty list", "at least one log"), "trial log")
    parted = [(place, one, each) for place, one in enumerate(sources) for each in sheets]
    found = tuple(Findings(", ".join([*[_short(one, place)] * (listed or len(sheets) > 1),
                                      *[f"sheet {each}"] * (len(sheets) > 1)]) or None, in_study)
                  for place, one, each in parted)
    tables = [read_table(one, each, table, columns, told) for (_, one, each), told in zip(parted, found, strict=True)]
    read = [(i, t) for i, t in enumerate(tables) if t is not None]
    once = list({parted[i][0]: t for i, t in reversed(read)}.values())[::-1]  # of each source, whatever its sheets
    name = ", ".join(t.name for t in once) or "trial log"
    own = share([t.header for _, t in read])
    parts = {i: _columns_of(t, mine, found[i]) for (i, t), mine in zip(read, own, strict=True)}
    if parts:
        log = _gather(parts, found)
        one_spelling(log)
        tell_names_alike(log)
        tell_edges_as_runs(log)
        keep = agreeing_rows(log, numbered_alike(log))
        tell_rare_materials(log, keep)
        tell_hours_backwards(log, keep)
        tell_sheets_of_two_logs(log, keep)
        tell_odd_speeds(log, keep)
        tell_slips(log, keep)
        tell_pasted_twice(log)
    every = Findings(problems=[p for f in found for p in f.problems])
    every.settle(name)
    rows = log.frame.loc[keep].reset_index(drop=True)
    if rows["edge_radius_mm"].isna().all():
        found[0].tell(None, log.headers["edge_radius_mm"], "told", "no edge radius was measured in any row")
    messages = sorted(((i, m) for i, f in enumerate(found) for m in f.messages), key=lambda p: (p[0], p[1].row or 0))
    numbers = log.row_numbers[keep]
    numbers.flags.writeable = False
    return TrialLog(rows, tuple(m for _, m in messages), name, _fingerprint([t.digest for t in once], rows), numbers)


def _sheets(sheet: Sheets) -> tuple[str | None, ...]:
    """The sheets to read of each workbook; None for the first one."""
    named = several(sheet) if several(sheet) is not None else (sheet,)
    if named != (None,) and (not named or not all(isinstance(each, str) for each in named)
                             or len(set(named)) < len(named)):
        wanted = "the name of a sheet, or several in a list, each once"
        raise LogError(Problem(None, "sheet", as_written(sheet), wanted), "trial log")
    return named


def _short(source: object, place: int) -> str:
    text = str(source) if isinstance(source, str) or hasattr(source, "name") else f"source {place + 1}"
    return f"source {place + 1}" if "://" in text else text.replace("\\", "/").rsplit("/", 1)[-1]


def _fingerprint(digests: Sequence[bytes | None], rows: pd.DataFrame) -> str:
    if any(d is None for d in digests):
        return hashlib.sha256(rows.to_csv(index=False, lineterminator="\n").encode()).hexdigest()
    whole = [d for d in digests if d is not None]
    return whole[0].hex() if len(whole) == 1 else hashlib.sha256(b"".join(whole)).hexdigest()


def _columns_of(table: Table, columns: Mapping[str, object] | None,
                found: Findings) -> Part:
    """The columns of one table under their canonical names, then the others."""
    uses, kept = assign(table.header, table.units_row, columns, lambda i: table.columns[i].values, found)
    table = _without_remarks(table, uses, found)
    table = _without_totals(table, uses, found)
    held = {u.name: _column(table, u) for u in uses}
    marks = decimal_marks({name: c for name, c in held.items() if name in QUANTITIES})
    read: dict[str, pd.Series] = {}
    for use in uses:
        column = held[use.name]
        if use.name not in REQUIRED and (column.codes < 0).all():
            continue
        read[use.name] = _read_column(column, use, marks.get(use.name, "point"), found)
        _tell_header(use, found)
    if "passes" not in read:
        read["passes"] = pd.Series(np.ones(len(table.row_numbers)))
    for i in kept:
        column = table.columns[i]
        cells = np.array([*column.values, None], dtype=object) if column.values else np.array([None], dtype=object)
        read[column.header] = pd.Series(cells[column.codes], dtype=object).infer_objects()
    return Part(read, table.row_numbers, {u.name: u.header for u in uses})


def _without_remarks(table: Table, uses: Sequence[Use], found: Findings) -> Table:
    """The table without rows that fill no required column, such as a remark between runs; those are told."""
    needed = [table.columns[u.index].codes >= 0 for u in uses if u.index is not None and u.name in REQUIRED]
    filled = np.any(needed, axis=0) if needed else np.ones(len(table.row_numbers), dtype=bool)
    remarks = np.flatnonzero(~filled)
    if not remarks.size or not filled.any():
        return table
    for i in remarks:
        found.tell(int(table.row_numbers[i]), None, "set aside", "a remark: no run, setting or radius in this row")
    return replace(table, columns=tuple(c.where(filled) for c in table.columns))


def _without_totals(table: Table, uses: Sequence[Use], found: Findings) -> Table:
    """The table without rows that a spreadsheet adds up: a word for it in a required column, most of them blank. Each
    is a fault; of its blanks and numbers nothing more is said."""
    needed = [table.columns[u.index] for u in uses if u.index is not None and u.name in REQUIRED]
    blank = sum((c.codes < 0).astype(int) for c in needed) if needed else np.zeros(len(table.row_numbers), int)
    totals = np.zeros(len(table.row_numbers), bool)
    for column in needed:
        words = [isinstance(v, str) and v.strip().rstrip(":").casefold() in _TOTALS for v in column.values]
        said = np.array([*words, False])[column.codes] & (2 * blank > len(needed)) & ~totals
        for i in np.flatnonzero(said):
            found.fault(int(table.row_numbers[i]), column.header, str(column.values[column.codes[i]]),
                        "a row of one edge", "a row of totals is none: delete it")
        totals |= said
    return replace(table, columns=tuple(c.where(~totals) for c in table.columns)) if totals.any() else table


def _column(table: Table, use: Use) -> Column:
    if use.index is not None:
        return table.columns[use.index]
    return Column(use.header, np.zeros(len(table.row_numbers), dtype=np.intp), (use.constant,), np.array([], dtype=int))


def _tell_header(use: Use, found: Findings) -> None:
    """A header that says more than the canonical name, or something else, is told, with its unit."""
    metric = QUANTITIES[use.name].metric if use.name in QUANTITIES else ""
    as_is = {plain(use.name), plain(f"{label(use.name)} [{metric}]")}
    if use.index is not None and plain(use.header) not in as_is:
        change = f", {use.unit} to {metric}" if use.unit and use.unit != metric else f", in {metric}" if metric else ""
        found.tell(found.header_row, use.header, "converted", f"read as {label(use.name)}{change}")
    elif use.unit and metric and use.unit != metric:
        found.tell(found.header_row, use.header, "converted", f"{use.unit} to {metric}")


def _read_column(column: Column, use: Use, marks: Marks, found: Findings) -> pd.Series:
    if use.name in QUANTITIES:
        reading = read_quantity(column, use.name, use.unit, marks, use.name in MEASURED, found)
        if use.name == "passes":
            return pd.Series(_passes(column, reading.value, found))
        if not reading.side.any():
            return pd.Series(reading.value)
        return pd.Series([v if s == 0 else f"{'<' if s < 0 else '>'}{v:.9g}"
                          for v, s in zip(reading.value.tolist(), reading.side.tolist(), strict=True)], dtype=object)
    if use.name == "date":
        return pd.Series(read_dates(column, use.unit, found))
    texts = read_words(column, use.name, found)
    if use.name in _SPECIAL:
        texts = _SPECIAL[use.name](column, texts, found)
    return spread(column, texts)


def _passes(column: Column, value: np.ndarray, found: Findings) -> np.ndarray:
    empty = np.flatnonzero(np.isnan(value))
    if empty.size:
        found.tell(column.row(empty[0]), column.header, "converted",
                   "blank read as 1 pass" + (f" ({len(empty)} rows)" if len(empty) > 1 else ""))
        value[empty] = 1.0
    return value


def _gather(parts: Mapping[int, Part], found: tuple[Findings, ...]) -> Gathered:
    """The tables of all sources one under the other, columns in the contract's order, then the others."""
    names = list(dict.fromkeys(n for part in parts.values() for n in part.columns))
    ordered = [c for c in CANONICAL if c in names] + [n for n in names if n not in CANONICAL]
    frames = [pd.DataFrame(part.columns) for part in parts.values()]
    frame = frames[0] if len(frames) == 1 else pd.concat(frames, ignore_index=True)
    frame = frame[ordered].copy()
    for column in (c for c in ordered if c in TEXT):
        frame[column] = frame[column].astype(pd.StringDtype(na_value=np.nan))
    return Gathered(frame, np.concatenate([p.row_numbers for p in parts.values()]),
                    np.repeat(list(parts), [len(p.row_numbers) for p in parts.values()]), found,
                    {k: v for p in reversed(parts.values()) for k, v in p.headers.items()})
