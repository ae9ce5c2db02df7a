"""What a log says of itself: names in one spelling, runs that agree with themselves, hours that run forward."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

import numpy as np
import pandas as pd

from .cells import as_reading
from .findings import LISTED, Findings, Kind
from .headers import CANONICAL
from .units import QUANTITIES

SETTINGS = ("material", "thickness_mm", "feed_speed_m_min", "drum_pressure_kPa", "grit", "abrasive_sheet",
            "contact_hours", "passes", "cut_process", "burr_severity")
OF_A_RUN = ("cut_process", "burr_severity")  # where some rows of a run leave them blank, the run's others say them
NAMES = ("run", "material", "abrasive_sheet")
_ANOTHER_PLATE = 3  # settings, the sheet among them, in which a row is unlike the others of its run
_ALIKE = str.maketrans("OIl", "011")
_SLIPPED = ("edge_radius_mm", "removal_um")
_FAR_TIMES = 5.0
"""A reading so many times what is usual for the others, or as many times less, is told: a decimal that slipped is ten
times. Edges of one plate differ by a fifth of that. Judgement, no source."""
LINE_SPEEDS_M_MIN = (0.9, 7.0)
"""Speeds that drum-and-brush lines run at; common practice, no source."""


@dataclass(frozen=True)
class Gathered:
    """A whole log, from one source or several: its columns in the canonical names, and where each row stands.

    `file_of` numbers the source of each row, `found` holds the findings of each source.
    """

    frame: pd.DataFrame
    row_numbers: np.ndarray
    file_of: np.ndarray
    found: tuple[Findings, ...]
    headers: Mapping[str, str]

    def tell(self, position: int, column: str | None, kind: Kind, text: str) -> None:
        """Note one thing about a row."""
        self.found[self.file_of[position]].tell(int(self.row_numbers[position]), self._header(column), kind, text)

    def fault(self, position: int, column: str | None, found: str, wanted: str, remedy: str) -> None:
        """Note one fault of a row."""
        self.found[self.file_of[position]].fault(int(self.row_numbers[position]), self._header(column), found, wanted,
                                                 remedy)

    def _header(self, column: str | None) -> str | None:
        return None if column is None else self.headers.get(column, column)


def label(column: str) -> str:
    """A column's name in plain words.

    >>> label("feed_speed_m_min"), label("abrasive_sheet")
    ('feed speed', 'abrasive sheet')
    """
    return QUANTITIES[column].label if column in QUANTITIES else column.replace("_", " ")


def _written(column: str, value: object) -> str:
    if column not in QUANTITIES:
        return str(value)
    return f"{value:.9g} {QUANTITIES[column].metric}".strip()


def one_spelling(log: Gathered) -> None:
    """Runs, materials and sheets whose names differ only in case or spaces get the one most often written, told."""
    for column in NAMES:
        if column not in log.frame:
            continue
        counts = log.frame[column].value_counts().to_dict()
        keys = {name: _key(name) for name in counts}
        if len(set(keys.values())) == len(keys):
            continue
        best: dict[str, str] = {}
        for name in sorted(counts, key=lambda t: (-counts[t], t)):
            best.setdefault(keys[name], name)
        changed = {name: best[key] for name, key in keys.items() if best[key] != name}
        names = log.frame[column].to_numpy(dtype=object)
        for old, new in changed.items():
            where = np.flatnonzero(names == old)
            log.tell(where[0], column, "converted", f"{old!r} read as {new!r}: differs only in case or spaces"
                     + (f" ({len(where)} rows)" if len(where) > 1 else ""))
        log.frame[column] = log.frame[column].replace(changed)


def _key(name: str) -> str:
    return name.casefold().replace(" ", "")


def rare_names(names: pd.Series, runs: pd.Series) -> dict[str, str]:
    """Names given in one run only that are close to one of at least 40 rows and 20 times as many: name → the other.

    >>> rare_names(pd.Series(["S355"] * 99 + ["S335"]), pd.Series(range(100)))
    {'S335': 'S355'}
    """
    counts, runs_of = names.value_counts(), runs.groupby(names).nunique()
    result = {}
    for name in counts.index:
        often = [str(c) for c in counts.index if counts[c] >= max(40, 20 * counts[name])]
        near = get_close_matches(str(name), often, n=1, cutoff=0.6) if runs_of[name] == 1 else []
        if near:
            result[str(name)] = near[0]
    return result


def tell_rare_materials(log: Gathered, keep: np.ndarray) -> None:
    """A material named once among hundreds and close to another is told, not changed; where the other rows of its run
    say which it is, those have been told already."""
    if not {"material", "run"} <= set(log.frame):
        return
    names = log.frame["material"].where(keep)
    for name, other in rare_names(names, log.frame["run"]).items():
        if _as_typed(name) == _as_typed(other):
            continue  # told as typed in two ways
        where = np.flatnonzero((names == name).to_numpy(dtype=bool, na_value=False))
        log.tell(where[0], "material", "told", f"{name!r} is named in one run only; is it {other!r}?")


def tell_names_alike(log: Gathered) -> None:
    """Two sheets or materials whose names differ only in how they are typed are told, at the one less often named."""
    for column, thing in (("abrasive_sheet", "sheet"), ("material", "material")):
        if column not in log.frame:
            continue
        names = log.frame[column]
        best: dict[str, str] = {}
        for name in map(str, names.value_counts().index):
            other = best.setdefault(_as_typed(name), name)
            if other != name:
                where = np.flatnonzero((names == name).to_numpy(dtype=bool, na_value=False))
                log.tell(where[0], column, "told",
                         f"{name!r} looks like {other!r}: if it is the same {thing}, write it alike")


def _as_typed(name: str) -> str:
    """A name without what people type in several ways: a word for the thing, marks, noughts in front, letters that look
    like figures.

    >>> [_as_typed(n) for n in ("A1", "Sheet A-01", "sheet_a1", "1-1", "1.1", "11")]
    ['a1', 'a1', 'a1', '1-1', '1-1', '11']
    """
    bare = re.sub(r"^(?:sheet|belt|no|nr)(?=[\W_\d])[\W_]*", "", name, flags=re.IGNORECASE)
    bare = re.sub(r"[\W_]+", "-", bare.translate(_ALIKE).casefold()).strip("-") or name
    bare = re.sub(r"(?<!\d)-|-(?!\d)", "", bare)  # between two figures it tells 1-1 from 11
    return re.sub(r"(?<!\d)0+(?=\d)", "", bare)


def tell_edges_as_runs(log: Gathered) -> None:
    """A log in which every run has one edge, though several positions were measured, is told."""
    if not {"run", "edge_position"} <= set(log.frame) or log.frame["edge_position"].nunique() < 2:
        return
    if len(log.frame) > 1 and not log.frame.duplicated([c for c in ("run", "abrasive_sheet") if c in log.frame]).any():
        log.tell(0, "run", "told", "every run has one edge only: how plates differ cannot be told from how edges do. "
                 "If some are edges of one plate, give them one run name")


def agreeing_rows(log: Gathered, known: frozenset[str] = frozenset()) -> np.ndarray:
    """Which rows agree with the rest of their run on every setting; the others are told as set aside.

    Where no value of a setting holds in more than half of a run's rows, the run is a fault; of those `known` to be
    faulty nothing is said.
    """
    keep = np.ones(len(log.frame), dtype=bool)
    if "run" not in log.frame:
        return keep
    run_codes, run_names = pd.factorize(log.frame["run"])
    order = np.argsort(run_codes, kind="stable")
    starts = np.searchsorted(run_codes[order], np.arange(len(run_names) + 1))
    refused, aside = 0, dict[int, list[tuple[str, str]]]()
    for column in (c for c in SETTINGS if c in log.frame):
        codes, values = pd.factorize(log.frame[column])
        filled = (codes >= 0) & (run_codes >= 0)
        pairs = np.unique(run_codes[filled].astype(np.int64) * max(len(values), 1) + codes[filled])
        distinct = np.bincount(pairs // max(len(values), 1), minlength=len(run_names))
        for run in np.flatnonzero(distinct > 1):
            if run_names[run] in known:
                continue
            rows = order[starts[run]:starts[run + 1]]
            here, count = np.unique(codes[rows][codes[rows] >= 0], return_counts=True)
            most = here[count.argmax()]
            others = [int(i) for i in rows if codes[i] not in (-1, most)]
            texts = {int(c): _written(column, values[c]) for c in here}
            if 2 * count.max() <= count.sum():
                refused += 1
                if refused <= LISTED:
                    some = " and ".join(list(texts.values())[:2]) + (" and others" if len(texts) > 2 else "")
                    log.fault(others[0], column, f"{some} in run {run_names[run]}",
                              f"the same {label(column)} in more than half of a run's rows",
                              "correct the rows that are wrong, or give each run its own name")
                continue
            for i in others:
                keep[i] = False
                aside.setdefault(i, []).append((column, f"run {run_names[run]}: {texts[int(codes[i])]} here, "
                                                f"{texts[int(most)]} in {count.max()} other rows of this run"))
        if column in OF_A_RUN:
            _fill_from_run(log, column, codes, np.asarray(values, dtype=object), run_codes, distinct)
    if refused > LISTED:
        log.fault(0, None, f"{refused - LISTED} more runs that disagree with themselves", "one setting in a run",
                  "are runs of several days numbered alike?")
    for i, unlike in sorted(aside.items()):
        columns = [column for column, _ in unlike]
        if "abrasive_sheet" in columns and len(unlike) >= _ANOTHER_PLATE:
            log.fault(i, "run", f"run {run_names[run_codes[i]]} with another {' and '.join(map(label, columns))}",
                      "one plate in a run", "this looks like another plate: give it a run name of its own")
            continue
        for column, text in unlike:
            log.tell(i, column, "set aside", text)
    gone = np.setdiff1d(run_codes[~keep], run_codes[keep])
    for run in gone:
        at = int(np.flatnonzero(run_codes == run)[0])
        log.fault(at, "run", f"run {run_names[run]}, whose rows all disagree",
                  "rows of a run that agree on its settings", "correct the rows that are wrong")
    return keep


def _fill_from_run(log: Gathered, column: str, codes: np.ndarray, values: np.ndarray, run_codes: np.ndarray,
                   distinct: np.ndarray) -> None:
    """Blank cells of a run whose other rows all say the same get that word, told once."""
    said = np.full(len(distinct), -1)
    known = (codes >= 0) & (run_codes >= 0)
    said[run_codes[known]] = codes[known]
    fill = np.flatnonzero((codes < 0) & (run_codes >= 0) & (distinct[run_codes] == 1))
    if not fill.size:
        return
    words = log.frame[column].to_numpy(dtype=object, copy=True)
    words[fill] = values[said[run_codes[fill]]]
    log.frame[column] = pd.Series(words, dtype=log.frame[column].dtype)
    log.tell(fill[0], column, "converted", f"blank read as {words[fill[0]]}, as in the other rows of its run"
             + (f" ({len(fill)} such rows)" if len(fill) > 1 else ""))


def tell_pasted_twice(log: Gathered) -> None:
    """A run of which every row, reading by reading, stands in the log more than once is told."""
    if "run" not in log.frame:
        return
    canonical = log.frame[[c for c in CANONICAL if c in log.frame]]
    again = canonical.duplicated(keep="first")
    if not again.any():
        return
    twice = canonical.duplicated(keep=False)
    runs = pd.DataFrame({"run": log.frame["run"], "first": ~again, "twice": twice, "again": np.where(
        again, np.arange(len(again)), len(again))}).groupby("run").agg({"first": "sum", "twice": "all", "again": "min"})
    pasted = runs[runs["twice"] & (runs["first"] > 1)].sort_values("again")
    for run, at in pasted["again"].iloc[:LISTED].items():
        log.tell(int(at), "run", "told", f"run {run}: each of its rows stands in the log more than once; pasted twice?")
    if len(pasted) > LISTED:
        log.tell(int(pasted["again"].iloc[LISTED]), "run", "told", f"{len(pasted) - LISTED} more runs stand twice")


def tell_hours_backwards(log: Gathered, keep: np.ndarray) -> None:
    """Contact hours of one sheet that are fewer on a later date than on an earlier one are told."""
    need = ["abrasive_sheet", "date", "contact_hours"]
    if not set(need) <= set(log.frame):
        return
    part = log.frame.loc[keep, need].assign(position=np.flatnonzero(keep)).dropna()
    part = part.sort_values(["abrasive_sheet", "date", "contact_hours"], kind="stable")
    days = part.groupby(["abrasive_sheet", "date"], sort=False).agg(
        least=("contact_hours", "min"), most=("contact_hours", "max"), position=("position", "first")).reset_index()
    days["before"] = days.groupby("abrasive_sheet")["most"].cummax()
    days["before"] = days.groupby("abrasive_sheet")["before"].shift()
    for day in days[days["least"] < days["before"]].itertuples():
        log.tell(day.position, "contact_hours", "told",
                 f"sheet {day.abrasive_sheet}: {day.least:.6g} h on {day.date:%Y-%m-%d}, after {day.before:.6g} h "
                 "on an earlier date")


def tell_odd_speeds(log: Gathered, keep: np.ndarray) -> None:
    """Speeds of a file that are mostly beyond what such lines run at are told: a wrong unit has no other sign."""
    if "feed_speed_m_min" not in log.frame:
        return
    low, high = LINE_SPEEDS_M_MIN
    speeds = log.frame["feed_speed_m_min"].to_numpy(float)
    for file, found in enumerate(log.found):
        mine = speeds[keep & (log.file_of == file) & np.isfinite(speeds)]
        if not mine.size or low <= np.median(mine) <= high:
            continue
        unit = "ft/min" if np.median(mine) > high else "m/min"
        found.tell(None, log.headers.get("feed_speed_m_min", "feed_speed_m_min"), "told",
                   f"speeds of {mine.min():.3g} to {mine.max():.3g} m/min: such a line mostly runs {low:g} to {high:g} "
                   f"m/min; if the numbers are in {unit}, say so in the header, as in 'feed speed [{unit}]'")


def tell_slips(log: Gathered, keep: np.ndarray) -> None:
    """Readings far from the others of their plate are told, radii of plates with few far from those of their material,
    and bounds beyond everything that was measured: a decimal that slipped and a wrong unit look so."""
    if not {"run", "abrasive_sheet", "material"} <= set(log.frame):
        return
    for column in (c for c in _SLIPPED if c in log.frame):
        cells, reading = log.frame[column], as_reading(log.frame[column])
        value, side = np.where(reading.value > 0, reading.value, np.nan), reading.side
        measured = pd.Series(np.log(value), index=log.frame.index).where(keep & (side == 0))
        if not measured.notna().any():
            continue
        plate = measured.groupby([log.frame["abrasive_sheet"], log.frame["run"]])
        usual = plate.transform("median").where(plate.transform("count") > 2)
        if column == "edge_radius_mm":
            usual = usual.fillna(measured.groupby(log.frame["material"]).transform("median"))
        is_far = (measured - usual).abs() > np.log(_FAR_TIMES)
        far, near = np.flatnonzero(is_far), measured[~is_far]
        most, least = float(np.exp(near.max())), float(np.exp(near.min()))
        idle = np.flatnonzero(keep & ((side < 0) & (value > most) | (side > 0) & (value < least)))
        name, unit = label(column), QUANTITIES[column].metric
        said = [(i, f"{value[i]:.3g} {unit}, where the others of its plate or material are about "
                    f"{np.exp(usual.iloc[i]):.2g} {unit}: did a decimal slip, or a unit?") for i in far]
        said += [(i, f"{cells.iloc[i]} {unit} tells nothing: every {name} that was measured is "
                     f"{'less' if side[i] < 0 else 'more'}. Check its unit") for i in idle]
        for i, words in said[:LISTED]:
            log.tell(int(i), column, "told", words)
        if len(said) > LISTED:
            log.tell(int(said[LISTED][0]), column, "told", f"{len(said) - LISTED} more readings of {name} so far off")
