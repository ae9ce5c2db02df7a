"""Whether plates run as a job's are differ from others: in how their edges scatter, in the burr that they keep."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import NamedTuple, Self

import numpy as np
import pandas as pd
from scipy.special import ndtr
from scipy.stats import rankdata

from .burr import BurrPosterior, score_of
from .byposition import Edges
from .job import Job
from .layout import Tilt, plates_of
from .platekind import PlateKind
from .rows import Floats
from .triallog import TrialLog

_WILDER, _QUIETER = 0.05, 0.01
"""Plates are told apart where chance would do so more seldom: to be wide where all are alike costs less than to be
narrow where they are not."""
_LOOKS = 5.0  # how much more it takes of a part of the ages: they may be parted anywhere
_HARDLY = 0.05  # of the logarithm of scatter: no more than that is left alone
_MOST, _NONE = 3, 1e-12  # kinds one after the other; scatter that is none
_WORSE = -1.96  # SDs of chance from which burr is told to be more than the dose tells
_FEWEST = 3  # plates with several edges, of a kind and of all others
_NEAR = 0.1  # of the logarithm of a setting
_LOOKED_AT = ("thickness_mm", "drum_pressure_kPa", "passes", "grit", "burr_severity", "contact_hours",
              "feed_speed_m_min")
_WORN = 2 / 3  # of the job's oldest age


class PlateScatter(NamedTuple):
    """Plates with several measured radii: `run` columns of their rows in the log, how much their edges scatter, and
    ranks of that and of the `age` of their sheets, (n,) each."""

    run: Mapping[str, np.ndarray]
    variance: Floats
    rank: Floats
    age: Floats

    @classmethod
    def of(cls, run: Mapping[str, np.ndarray], variance: Floats) -> Self:
        """With ranks."""
        return cls(run, variance, rankdata(variance), rankdata(run["contact_hours"]))


def scatter_of(log: TrialLog, here: np.ndarray, tilts: tuple[Tilt, ...]) -> PlateScatter:
    """Of plates that have rows `here` (n,), about positions that answer to some settings each in its own way."""
    edges = Edges.of(log, here)
    count, first = np.bincount(edges.plate), np.unique(edges.plate, return_index=True)[1]
    several = count > 1
    squares = np.bincount(edges.plate, edges.off(log, tilts) ** 2)
    run = log.rows.iloc[edges.at[first[several]]]
    return PlateScatter.of({name: run[name].to_numpy() for name in _LOOKED_AT if name in run},
                           squares[several] / (count[several] - 1))


def kinds_apart(seen: PlateScatter, job: Job) -> tuple[PlateKind, ...]:
    """Kinds of plates, of those that a job's are, whose edges scatter clearly otherwise than all others'.

    One after the other, what the ones before explain taken out. Long logs show more than is worth a fit of its own:
    that ends it.
    """
    found: tuple[PlateKind, ...] = ()
    while len(found) < _MOST:
        kind = _most_apart(seen, job, {one.column for one in found})
        if kind is None:
            break
        mine = kind.of(seen.run)
        times = max(np.median(seen.variance[mine]), _NONE) / max(np.median(seen.variance[~mine]), _NONE)
        if abs(np.log(times)) < 2 * _HARDLY:
            break
        found += (kind,)
        seen = PlateScatter.of(seen.run, np.where(mine, seen.variance / times, seen.variance))
    return found


def _most_apart(seen: PlateScatter, job: Job, but: set[str]) -> PlateKind | None:
    """The kind that is most clearly apart, of columns that were not looked at before."""
    n, best, found, rank = len(seen.variance), 1.0, None, seen.rank
    for kind, only_wilder, looks in _kinds(seen.run, job) if n >= 2 * _FEWEST else ():
        mine = kind.of(seen.run)
        if min(mine.sum(), n - mine.sum()) < _FEWEST or kind.column in but:
            continue
        worn = kind.column == "contact_hours"
        z = rises_by_ranks(rank, seen.age) if worn else more_by_ranks(rank, mine)
        sure = _WILDER if z > 0 else 0.0 if only_wilder else _QUIETER
        chance = 2 * ndtr(-abs(z)) * looks / sure if sure else 1.0
        if chance < best:
            best, found = chance, kind
    return found


def keeps_burr(rows: pd.DataFrame, fitted: BurrPosterior, job: Job, here: np.ndarray) -> tuple[PlateKind, int] | None:
    """The kind of plates, of those that a job's are, which most clearly keep more burr than their dose tells, and how
    many there are; None where none does. `fitted` to the log's `rows`, of which the job's material's are `here` (n,).

    By score tests: see `burr.score_of`. Sheet ages are looked at as a whole elsewhere.
    """
    at = fitted.data.row
    mine, plate = here[at], plates_of(rows.iloc[at]).of
    all_plates, least, found = len(np.unique(plate[mine])), _WORSE, None
    for kind, *_ in _kinds(rows.iloc[at[mine]], job):
        of_kind = kind.of(rows.iloc[at]) & mine
        plates = len(np.unique(plate[of_kind]))
        if kind.column == "contact_hours" or min(plates, all_plates - plates) < _FEWEST:
            continue
        score = score_of(fitted, of_kind.astype(float))
        if score < least:
            least, found = score, (kind, plates)
    return found


def more_by_ranks(rank: Floats, mine: np.ndarray) -> float:
    """How many SDs of chance plates `mine` (n,) have higher ranks (n,) than all others (Wilcoxon 1945, Biometrics
    Bulletin 1, 80)."""
    n, k = len(rank), mine.sum()
    return float((rank[mine].sum() - k * (n + 1) / 2) / np.sqrt(k * (n - k) * (n + 1) / 12))


def rises_by_ranks(rank: Floats, place: Floats) -> float:
    """How many SDs of chance ranks (n,) rise with those of a setting, `place` (n,) (Spearman 1904, American Journal of
    Psychology 15, 72)."""
    one, other = rank - rank.mean(), place - place.mean()
    size = np.sqrt((one @ one) * (other @ other))
    return float(one @ other / size * np.sqrt(len(place) - 1)) if size else 0.0


def _kinds(run: pd.DataFrame | Mapping[str, np.ndarray], job: Job) -> Iterator[tuple[PlateKind, bool, float]]:
    """Kinds that a job's plates are of; whether they are no matter where they scatter less, being a part of its plates
    or beside them; and by how much more it takes to tell them apart."""
    for column in ("thickness_mm", "drum_pressure_kPa", "passes"):
        value, tried = float(getattr(job, column)), np.asarray(run[column], float)
        below, above = tried[tried < value], tried[tried > value]
        if (np.abs(np.log(tried / value)) <= _NEAR).any():
            yield _about(column, value), False, 1.0
        elif len(below) and len(above):
            yield _about(column, float(below.max())), True, 1.0
            yield _about(column, float(above.min())), True, 1.0
    yield PlateKind("grit", word=job.grit), False, 1.0
    if job.burr_severity:
        yield PlateKind("burr_severity", word=job.burr_severity), False, 1.0
    if job.sheet_hours[1] > 0:
        yield PlateKind("contact_hours", low=_WORN * job.sheet_hours[1]), True, _LOOKS


def _about(column: str, value: float) -> PlateKind:
    return PlateKind(column, value * np.exp(-_NEAR), value * np.exp(_NEAR))
