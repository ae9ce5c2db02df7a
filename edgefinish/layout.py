"""A trial log laid out as a mixed model: which row hangs on which plate and sheet, and which column is which term.

Log edge radius is the log dose of the plate plus the position's step; log removal is twice the log dose (area law) plus
its own level and slack. So sheets and plates move both together, and removal has sheet and plate effects of its own.
Rows, plates, sheets, positions and materials are put into one order first: the order of a log changes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from .abrasive import GRAIN_UM
from .laws import (
    AREA_LAW,
    BENDS,
    CURVATURE,
    FEED,
    GRAIN,
    PASSES,
    PRESSURE,
    RUN_IN,
    TERMS,
    THICKNESS,
    WEAR,
    WEAR_HOURS,
    Centre,
    Settings,
    columns,
    log_feed,
    log_pressure,
)
from .platekind import PlateKind
from .priors import STANDARD, Priors
from .promise import Path
from .rows import Floats, MixedData
from .triallog import TrialLog

POSITIONS = ("leading", "trailing", "lateral", "cutout")
NOBODY = -1
"""Index of a material that is none of the log's: it has the common law."""
OWN_WEAR = np.array([1.0, 0.5, 0.0])
"""Wear that is a material's own, in the columns of `laws.wear_columns`: half way between a straight line in contact
hours and one in their square root."""
_OWN = 4  # what a material has of its own: level, feed exponent, pressure exponent, wear
ALONG = (FEED, WEAR.start)
"""Speed and straight wear, along which a window extends."""
TILTING = (*ALONG, PRESSURE, GRAIN, THICKNESS, PASSES)
"""Settings to which edge positions may answer each in its own way."""
FINEST = 0.002
"""Edges of one plate never differ by less than this fraction (an SD): no gauge tells radii so far apart."""


def material_key(material: str, cut_process: str | None) -> str:
    """One name for a material, or for a material as cut by one process."""
    return f"{material} · {cut_process}" if cut_process else material


def material_keys(rows: pd.DataFrame) -> pd.Series:
    """The material of each row; a material cut by two processes in one log is two. Where some plates name one process
    and others none, all are taken to be cut alike."""
    if "cut_process" not in rows:
        return rows["material"]
    process = rows["cut_process"].fillna("process unknown")
    many = rows["cut_process"].groupby(rows["material"]).transform("nunique") > 1
    return rows["material"].where(~many, rows["material"] + " · " + process)


class Tilt(NamedTuple):
    """A setting (place in `TERMS`) to which edge positions answer each in its own way; `own`: the asked material's."""

    term: int
    own: bool = False


class Plates(NamedTuple):
    """Plates of some log rows, in order of sheet and run: `of` (n,) that of each row, `first` row of each, and its
    `sheet` by number."""

    of: NDArray[np.intp]
    first: NDArray[np.intp]
    sheet: NDArray[np.intp]


def plates_of(rows: pd.DataFrame) -> Plates:
    """Which plate each row belongs to; a run is one plate, and runs of two sheets are two.

    >>> rows = pd.DataFrame({"abrasive_sheet": ["B", "A", "B"], "run": ["1", "1", "1"]})
    >>> [part.tolist() for part in plates_of(rows)]
    [[1, 0, 1], [1, 0], [0, 1]]
    """
    sheet, run = (pd.factorize(rows[name], sort=True)[0] for name in ("abrasive_sheet", "run"))
    _, first, of = np.unique(sheet * (run.max(initial=0) + 1) + run, return_index=True, return_inverse=True)
    return Plates(of, first, sheet[first])


def run_order(rows: pd.DataFrame) -> NDArray[np.float64] | None:
    """Place of each row between the first date (−1) and the last (0) of the log; None where no dates tell."""
    if "date" not in rows:
        return None
    date, of = rows["date"].to_numpy("datetime64[us]"), plates_of(rows).of
    dated = ~np.isnat(date)
    when, of_dated = np.unique(date[dated], return_inverse=True)
    first = np.full(of.max() + 1, len(when))
    np.minimum.at(first, of[dated], of_dated)
    rank = pd.Series(first).rank().to_numpy()
    if len(when) < 3 or (first == len(when)).any() or rank.min() == rank.max():
        return None
    return ((rank - rank.max()) / (rank.max() - rank.min()))[of]


class Names(NamedTuple):
    """Where each coefficient stands: slices into the coefficients of the mixed model."""

    dose: slice
    removal: slice
    position: slice
    removal_position: slice
    own_position: slice
    tilts: slice


@dataclass(frozen=True, eq=False)
class Layout:
    """The mixed model of a log: `data`, and what its rows, columns and levels mean.

    `row` (n,) index into the log's rows and `is_removal` (n,) of each row of `data`; `plates` (R,): which of the log's
    `plates_of` each is;
    `asked`: the material whose spreads may be other than the others', None where all are taken to be alike;
    `position_spread`: how many times as much as usual edges scatter, by position; empty where all are alike;
    `own_steps`, `own_spread`: whether the asked material's positions clearly lie otherwise than the others', and
    whether it clearly scatters otherwise; `kinds`: plates of it,
    each with spreads that may be other than those of the rest; `tilts`: settings to which positions answer
    each in its own way; `coupling`: how many times removal goes with what sheets and plates do to the radius.
    """

    data: MixedData
    centre: Centre
    materials: tuple[str, ...]
    positions: tuple[str, ...]
    sheets: tuple[str, ...]
    plates: NDArray[np.intp]
    row: NDArray[np.intp]
    is_removal: NDArray[np.bool_]
    has_drift: bool
    names: Names
    asked: str | None
    position_spread: Mapping[str, float]
    own_steps: bool
    own_spread: bool
    kinds: tuple[PlateKind, ...]
    tilts: tuple[Tilt, ...]
    coupling: float

    @property
    def has_removal(self) -> bool:
        """Whether removal is part of this model."""
        return self.names.removal.stop > self.names.removal.start

    def spread_of(self, which: Sequence[int]) -> Floats | None:
        """How many times as much as usual edges scatter at some positions (indices); None where all are alike."""
        spread = self.position_spread
        return np.array([spread.get(self.positions[i], 1.0) for i in which]) if spread else None

    def spread_on(self, rows: pd.DataFrame) -> Floats:
        """The same for each row of a log, 1 where nothing is known."""
        return rows["edge_position"].map(self.position_spread).fillna(1.0).to_numpy(float)

    def steps_at(self, coef: Floats, position: NDArray[np.intp], material: NDArray[np.intp] | int, settings: Settings
                 ) -> Floats:
        """Steps of log radius at some positions (n,), indices, on one material and at one setting each or all, for each
        row of `coef`; (…, n)."""
        step, own = coef[..., self.names.position][..., position], self.names.own_position
        is_asked = material == np.array(self.materials.index(self.asked)) if own.stop > own.start else None
        if is_asked is not None:
            step = step + coef[..., own][..., position] * is_asked
        for slopes, tilt, column in zip(self.slopes(coef), self.tilts, np.moveaxis(self.tilted(settings), -1, 0),
                                        strict=True):
            part = slopes[..., position] * column
            step = step + (part * is_asked if tilt.own else part)
        return step

    def slopes(self, coef: Floats) -> list[Floats]:
        """Each position's coefficients of each of `tilts`, (…, positions)."""
        block, each = coef[..., self.names.tilts], len(self.positions)
        return [block[..., i * each:(i + 1) * each] for i in range(len(self.tilts))]

    def along(self, coef: Floats, position: Sequence[int]) -> Floats | None:
        """What some positions add to the slopes of log radius on speed and on wear, (2, draws, positions); None where
        they answer alike to both."""
        out = np.zeros((len(ALONG), len(coef), len(position)))
        for slopes, tilt in zip(self.slopes(coef), self.tilts, strict=True):
            if tilt.term in ALONG:
                out[ALONG.index(tilt.term)] += slopes[:, list(position)]
        return out if out.any() else None

    def own_plates(self, material: NDArray[np.intp], plates: pd.DataFrame) -> NDArray[np.bool_]:
        """Which of some plates, of materials (indices), have which factors of spreads of their own, (F, R)."""
        is_asked = material == self.materials.index(self.asked) if self.asked in self.materials else None
        return _own_plates(is_asked if len(self.materials) > 1 else None, self.kinds, plates)

    def tilted(self, settings: Settings) -> Floats:
        """Columns of the settings to which positions answer each in its own way, (…, tilts)."""
        return columns(settings, self.centre)[..., [tilt.term for tilt in self.tilts]]

    def dose_columns(self, settings: Settings, material: Sequence[int] | NDArray[np.intp] | int,
                     order: NDArray[np.float64] | float = 0.0) -> Floats:
        """Columns of the log dose, (…, dose coefficients), at settings of one material each (index)."""
        return law_columns(settings, self.centre, np.asarray(material), len(self.materials),
                             order if self.has_drift else None)

    def removal_columns(self, settings: Settings, material: Sequence[int] | NDArray[np.intp] | int) -> Floats:
        """Columns of removal's own part, (…, removal coefficients)."""
        return _removal_columns(settings, self.centre, np.asarray(material), len(self.materials))

    def coefficient_names(self) -> list[tuple[str, str]]:
        """Law and term of each coefficient, in order."""
        several = len(self.materials) > 1
        dose = ["level", *[t.name for t in TERMS]]
        if several:
            dose += [f"{m}: {what}" for what in ("level", "feed speed", "drum pressure", "wear")
                     for m in self.materials]
        names = [("edge radius", n) for n in dose + ["drift over the log"] * self.has_drift]
        if self.has_removal:
            own = ["level", *[t.name for t in TERMS], *([f"{m}: level" for m in self.materials] if several else [])]
            names += [("removal, beyond the area law", n) for n in own]
        names += [("edge radius", p) for p in self.positions]
        names += [("removal, beyond the area law", p) for p in self.positions] if self.has_removal else []
        own = self.names.own_position
        names += [("edge radius", f"{self.asked}: {p}") for p in self.positions] if own.stop > own.start else []
        return names + [("edge radius", f"{f'{self.asked}, ' if own else ''}{TERMS[k].name}: {p}")
                        for k, own in self.tilts for p in self.positions]


def _onehot(index: NDArray[np.intp], count: int) -> Floats:
    return (index[..., None] == np.arange(count)).astype(float)


def law_columns(settings: Settings, centre: Centre, material: NDArray[np.intp], count: int,
                order: NDArray[np.float64] | float | None = None) -> Floats:
    """Columns of the law of log radius without edge positions: level, `TERMS`, what each of `count` materials has of
    its own where they are several, and the drift where there is an `order`.

    `material` is an index that broadcasts with the settings; (…, 1 + terms) for one material, 4 more for each of many.
    """
    terms = columns(settings, centre)
    n = terms.shape[-1]
    out = np.empty((*terms.shape[:-1], 1 + n + _OWN * count * (count > 1) + (order is not None)))
    out[..., 0], out[..., 1:1 + n] = 1.0, terms
    if count > 1:
        is_own = _onehot(material, count)
        slopes = (np.ones(()), log_feed(settings, centre), log_pressure(settings, centre), terms[..., WEAR] @ OWN_WEAR)
        for k, slope in enumerate(slopes):
            out[..., 1 + n + k * count:1 + n + (k + 1) * count] = is_own * slope[..., None]
    if order is not None:
        out[..., -1] = order
    return out


def _removal_columns(settings: Settings, centre: Centre, material: NDArray[np.intp], count: int) -> Floats:
    terms = columns(settings, centre)
    parts = [np.ones((*terms.shape[:-1], 1)), terms]
    if count > 1:
        parts.append(np.broadcast_to(_onehot(material, count), (*terms.shape[:-1], count)))
    return np.concatenate(parts, -1)


def settings_of(rows: pd.DataFrame, which: NDArray[np.intp] | slice = slice(None)) -> Settings:
    """The settings of log rows, or of some of them."""
    value = {c: rows[c].to_numpy(float)[which] for c in (
        "feed_speed_m_min", "drum_pressure_kPa", "thickness_mm", "passes", "contact_hours")}
    grain = rows["grit"].map(GRAIN_UM).to_numpy(float)[which]
    return Settings(value["feed_speed_m_min"], value["drum_pressure_kPa"], grain, value["thickness_mm"],
                    value["passes"], value["contact_hours"])


def _middle(values: NDArray[np.float64]) -> float:
    return float(np.sqrt(values.min() * values.max()))


def lay_out(log: TrialLog, *, removal: bool, priors: Priors = STANDARD, past: Priors | None = None,
            weight: float = 0.0, asked: str | None = None, position_spread: Mapping[str, float] | None = None,
            own_steps: bool = False, own_spread: bool = False, kinds: tuple[PlateKind, ...] = (),
            tilts: tuple[Tilt, ...] = (), coupling: float = AREA_LAW) -> Layout:
    """The mixed model of the edge radius of a log, and of its removal as well where asked for.

    Only rows with a reading take part. Priors are those of `TERMS` and of `priors`; with `past`, spreads have a prior
    of which `weight` is that of the past. `asked`: a material of several whose spreads may differ from the others'.
    `position_spread`, `own_steps`, `own_spread`, `kinds`, `tilts`, `coupling`: see `Layout`.
    """
    rows, spread = log.rows, dict(position_spread or {})
    readings = [log.reading("edge_radius_mm")] + ([log.reading("removal_um")] if removal else [])
    used = [np.flatnonzero(np.isfinite(r.value) & (r.value > 0)) for r in readings]
    row = np.concatenate(used)
    is_removal = np.repeat(np.arange(len(used)), [len(u) for u in used]).astype(bool)
    y = np.log(np.concatenate([r.value[u] for r, u in zip(readings, used, strict=True)]))
    side = np.concatenate([r.side[u] for r, u in zip(readings, used, strict=True)])
    key, where = material_keys(rows).to_numpy(object)[row], rows["edge_position"].to_numpy(object)[row]
    materials = tuple(sorted(set(key)))
    positions = tuple(p for p in POSITIONS if p in set(where))
    plates = plates_of(rows)
    plate_list, plate = np.unique(plates.of[row], return_inverse=True)
    position = pd.Index(positions).get_indexer(where)
    sort = np.lexsort((side, y, position, is_removal, plate))
    y, side, row, is_removal, plate, position = (a[sort] for a in (y, side, row, is_removal, plate, position))
    first = np.flatnonzero(np.r_[True, np.diff(plate) != 0])
    sheets = tuple(rows["abrasive_sheet"].iloc[row[first]].unique())
    sheet = np.unique(plates.sheet[plate_list], return_inverse=True)[1]
    settings = settings_of(rows, row[first])
    centre = Centre(*(_middle(np.asarray(v)) for v in (
        settings.feed_speed_m_min, settings.drum_pressure_kPa, settings.grain_um, settings.thickness_mm)))
    order = run_order(rows)
    material = pd.Index(materials).get_indexer(key[sort][first])
    dose = law_columns(settings, centre, material, len(materials), None if order is None else order[row[first]])
    own = _removal_columns(settings, centre, material, len(materials)) if removal else np.empty((len(first), 0))
    n_dose, n_own, n_pos, effects = dose.shape[1], own.shape[1], len(positions), 1 + removal
    plate_columns = np.zeros((len(first), effects, n_dose + n_own))
    plate_columns[:, 0, :n_dose] = dose
    if removal:
        plate_columns[:, 1, n_dose:] = own
        plate_columns[:, 1, :n_dose] = (AREA_LAW - coupling) * dose  # settings go by the area law whatever sheets do
    at = _onehot(position, n_pos)
    load = np.column_stack([np.where(is_removal, coupling, 1.0), is_removal.astype(float)])[:, :effects]
    sheet_load = np.zeros((len(first), effects, 2 + removal))
    sheet_load[:, 0, 0] = 1
    sheet_load[:, 0, 1] = np.asarray(settings.contact_hours) / WEAR_HOURS
    if removal:
        sheet_load[:, 1, 2] = 1
    kin = len(priors.material) if len(materials) > 1 else 0
    is_asked = material == materials.index(asked) if kin and asked in materials else None
    own_plates = _own_plates(is_asked, kinds, rows.iloc[row[first]])
    by_row = [at * np.where(is_removal, AREA_LAW, 1.0)[:, None]]
    if removal:
        by_row.append(at * is_removal[:, None])
    if is_asked is not None:
        by_row.append(by_row[0] * is_asked[plate][:, None])
    for k, its_own in tilts:
        column = columns(settings, centre)[:, k] * (is_asked if its_own else 1.0)
        by_row.append(by_row[0] * column[plate][:, None])
    mean, sd = _coefficient_priors(y, is_removal, removal, len(materials), n_pos, order is not None, priors)
    n_last = [n_pos * (is_asked is not None), n_pos * len(tilts)]
    mean = np.r_[mean, np.zeros(sum(n_last))]
    tilt_sd = [priors.tilt_along if k in ALONG else priors.tilt for k, _ in tilts]
    sd = np.r_[sd, np.full(n_last[0], priors.material_position[own_steps]), np.repeat(tilt_sd, n_pos)]
    ends = np.cumsum([n_dose, n_own, n_pos, n_pos * removal, *n_last])
    data = MixedData(
        y=y, side=side.astype(np.int8), scale=is_removal.astype(np.intp), load=load, plate=plate, sheet=sheet,
        sheet_load=sheet_load, plate_columns=plate_columns,
        row_columns=np.concatenate(by_row, 1),
        coef_mean=mean, coef_sd=sd, **priors.spreads(removal),
        second_prior=() if past is None else sum(past.spreads(removal).values(), ()), second_weight=weight,
        edge_least=FINEST,
        kin=1 + len(TERMS) + np.arange(kin * len(materials)).reshape(kin, len(materials)),
        kin_spread=priors.material[:kin], kin_times=priors.odd_times[:kin],
        own=own_plates if len(own_plates) else None,
        own_log_sd=(is_asked is not None) * (priors.own_spread[own_spread],) + len(kinds) * (priors.kind_spread,),
        on_sheets=(is_asked is not None) * (True,) + len(kinds) * (False,),
        edge_factor=np.where(is_removal, 1.0, [spread.get(positions[i], 1.0) for i in position]) if spread else None)
    names = Names(*map(slice, [0, *ends[:-1].tolist()], ends.tolist()))
    return Layout(data, centre, materials, positions, sheets, plate_list, row, is_removal, order is not None, names,
                  asked, spread, own_steps, own_spread, kinds, tilts, coupling)


def _own_plates(is_asked: NDArray[np.bool_] | None, kinds: tuple[PlateKind, ...], plates: pd.DataFrame
                ) -> NDArray[np.bool_]:
    own = [] if is_asked is None else [is_asked]
    own += [kind.of(plates) & (True if is_asked is None else is_asked) for kind in kinds]
    return np.array(own, bool).reshape(len(own), len(plates))


def _coefficient_priors(y: Floats, is_removal: NDArray[np.bool_], removal: bool, materials: int, positions: int,
                        drift: bool, priors: Priors) -> tuple[Floats, Floats]:
    level, removed = (y[which].mean() if which.any() else 0.0 for which in (~is_removal, is_removal))
    mean, sd = [level, *[t.mean for t in TERMS]], [1.0, *[t.sd for t in TERMS]]
    sd[1 + RUN_IN] = priors.run_in
    for term in (PRESSURE, THICKNESS, PASSES):
        sd[1 + BENDS[term]] = priors.bend
    if materials > 1:
        for spread in priors.material:
            mean, sd = mean + [0.0] * materials, sd + [spread.median] * materials
    if drift:
        mean, sd = [*mean, 0.0], [*sd, priors.drift]
    if removal:
        mean += [removed - AREA_LAW * level, *[0.0] * len(TERMS)]
        sd += [2.0, *[t.slack for t in TERMS]]
        if materials > 1:
            mean, sd = mean + [0.0] * materials, sd + [priors.removal_material] * materials
    mean, sd = mean + [0.0] * positions, sd + [priors.position] * positions
    if removal:
        mean, sd = mean + [0.0] * positions, sd + [priors.removal_position] * positions
    return np.array(mean), np.array(sd)


def paths(layout: Layout, coef: Floats, material: int, positions: Sequence[int], settings: Settings
          ) -> tuple[Path, Path | None]:
    """Edge radius and removal as functions of feed speed for each row of `coef`, but for their level at a job's
    settings, which `levelled` adds. Of `settings` no more is looked at than `layout.tilted` gives. `material` may be
    `NOBODY`: the common law."""
    n, m, names, t = len(TERMS), len(layout.materials), layout.names, 1
    dose = coef[:, names.dose]

    def wear(block: Floats) -> Floats:
        return block[:, t + WEAR.start:t + WEAR.stop]

    slope, worn = dose[:, t + FEED].copy(), wear(dose).copy()
    if m > 1 and material != NOBODY:
        slope += dose[:, t + n + m + material]
        worn += dose[:, t + n + 3 * m + material, None] * OWN_WEAR
    start = replace(settings, feed_speed_m_min=layout.centre.feed_speed_m_min, contact_hours=0.0)
    position, along = layout.steps_at(coef, np.asarray(positions, int), material, start), layout.along(coef, positions)
    radius = Path(np.zeros(len(coef)), slope, dose[:, t + CURVATURE].copy(), worn, position, along)
    if not layout.has_removal:
        return radius, None
    own = coef[:, names.removal]
    removal = Path(
        np.zeros(len(coef)), AREA_LAW * slope + own[:, t + FEED], AREA_LAW * radius.bend + own[:, t + CURVATURE],
        AREA_LAW * radius.wear + wear(own), AREA_LAW * position + coef[:, names.removal_position][:, positions],
        None if along is None else AREA_LAW * along)
    return radius, removal


def levelled(layout: Layout, coef: Floats, base: tuple[Path, Path | None], settings: Settings, material: int
             ) -> tuple[Path, Path | None]:
    """`paths` at the settings of a job; `settings.feed_speed_m_min` and `.contact_hours` are not looked at."""
    at = Settings(layout.centre.feed_speed_m_min, settings.drum_pressure_kPa, settings.grain_um, settings.thickness_mm,
                  settings.passes, 0.0)
    radius, removal = base
    level = _product(radius, coef[:, layout.names.dose], layout.dose_columns(at, material))
    if removal is None:
        return replace(radius, level=level), None
    own = _product(removal, coef[:, layout.names.removal], layout.removal_columns(at, material))
    return replace(radius, level=level), replace(removal, level=AREA_LAW * level + own)


def _product(path: Path, coef: Floats, columns: Floats) -> Floats:
    """Coefficients times columns, most of which are 0 for any one material: the others are kept beside the path."""
    some = np.flatnonzero(columns)
    kept: Floats = path.kept.keep(("columns", some.tobytes()), lambda: np.asfortranarray(coef[:, some]))
    return kept @ columns[some]
