"""What if: windows at other settings, limits and promises than the study's, computed on a grid for the report's page.

Between grid points the page shows what every neighbour allows: the stricter limit, share or age, and of two pressures
or thicknesses only the speeds that both windows hold.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from .drawing import of_material
from .forms import first_of_each_material
from .job import Job, SpeedWindow
from .linefit import radius_alone
from .pressures import windows_of
from .results import Results
from .units import QUANTITIES, System, in_shown, shown, unit_of
from .wording import SPEED, hours, job_name, limit, percent, settings, speeds

MOST_WINDOWS, MOST_JOINT = 1500, 216
"""How many windows are computed for one page, over all of its jobs: where only the radius is limited, and else."""
FINER = 10
"""Steps of a slider between two grid points."""
Kind = Literal["menu", "both", "up", "down"]


@dataclass(frozen=True)
class Axis:
    """One thing to change: its name, its values in rising order, each with its words, and the job's own place in them.

    `kind`: "menu" has nothing between its values; "both" takes the two neighbours together, "up" the greater one,
    "down" the smaller one, because that is the stricter. `numbers` are the values as shown, in `unit`, from which a
    slider reckons its own value between them; a menu has none.
    """

    name: str
    label: str
    kind: Kind
    values: tuple[Any, ...]
    words: tuple[str, ...]
    own: int
    numbers: tuple[float, ...] = ()
    decimals: int = 0
    unit: str = ""


@dataclass(frozen=True)
class Surface:
    """One job of the study with what may be changed about it: at most `together` axes at once.

    `windows`: the answer for each combination that was computed, by the places of its values on the axes.
    """

    job: Job
    axes: tuple[Axis, ...]
    together: int
    windows: Mapping[tuple[int, ...], SpeedWindow]


def surfaces(results: Results) -> tuple[Surface, ...]:
    """For each material one job of the study, one with a window before one without, on a grid about its settings."""
    about = [w for w in first_of_each_material(results.windows) if w.verdict != "not enough evidence"]
    out = []
    for window in about:
        most = (MOST_WINDOWS if radius_alone(window.job) else MOST_JOINT) // len(about)
        axes, together = _axes(results, window.job, most)
        places = [p for p in itertools.product(*(range(len(a.values)) for a in axes))
                  if sum(k != a.own for k, a in zip(p, axes, strict=True)) <= together]
        jobs = [at(window.job, {a.name: a.values[k] for k, a in zip(p, axes, strict=True)}) for p in places]
        out.append(Surface(window.job, axes, together, dict(zip(places, windows_of(results, jobs), strict=True))))
    return tuple(out)


def at(job: Job, changed: dict[str, Any]) -> Job:
    """The job with some of its fields changed; "radius_from", "radius_to" and "oldest" are ends of a span.

    >>> at(Job(material="S355", thickness_mm=10, drum_pressure_kPa=60, grit="P80", edge_radius_mm=(0.2, 0.6)),
    ...    {"radius_to": 0.5, "oldest": 8.0}).edge_radius_mm
    (0.2, 0.5)
    """
    fields = dict(changed)
    low, high = job.edge_radius_mm or (None, None)
    band = (fields.pop("radius_from", low), fields.pop("radius_to", high))
    oldest = fields.pop("oldest", job.sheet_hours[1])
    return replace(job, edge_radius_mm=None if band == (None, None) else band,
                   sheet_hours=(job.sheet_hours[0], oldest), **fields)


def _axes(results: Results, job: Job, most: int) -> tuple[tuple[Axis, ...], int]:
    """Every axis with two values, as many of them changed at once as `most` windows allow, then third values."""
    wanted = {name: w for name, w in _wanted(results, job).items() if len(w[1]) > 1}
    taken = dict.fromkeys(wanted, 2)
    together = max((k for k in range(len(wanted) + 1) if _count(taken.values(), k) <= most), default=0)
    for name, (_, values) in wanted.items():
        if len(values) > 2 and _count((taken | {name: 3}).values(), together) <= most:
            taken[name] = 3
    return tuple(_axis(results, job, name, kind, values[:taken[name]])
                 for name, (kind, values) in wanted.items()), together


def _count(values: Iterable[int], together: int) -> int:
    """How many combinations there are of axes with so many values each, at most `together` of them off their own.

    >>> _count([2, 2, 3], 1), _count([2, 2, 3], 3)
    (5, 12)
    """
    ways = [1] + [0] * together
    for number in values:
        for k in range(together, 0, -1):
            ways[k] += ways[k - 1] * (number - 1)
    return sum(ways)


def _wanted(results: Results, job: Job) -> dict[str, tuple[Kind, list[Any]]]:
    """What may be changed, first what helps most: the kind, and the values, the job's own first."""
    rows, line = results.log.rows[of_material(results, job)], results.study.line
    pressures = rows["drum_pressure_kPa"]
    if line.drum_pressure_kPa is not None:
        pressures = pressures.clip(*line.drum_pressure_kPa)
    grits = [g for g in rows["grit"].value_counts().index if line.grits is None or g in line.grits]
    first, last = job.sheet_hours
    low, high = job.edge_radius_mm or (None, None)
    ends: dict[str, tuple[Kind, list[Any]]] = {
        "drum_pressure_kPa": ("both", [job.drum_pressure_kPa, *_far_first(job.drum_pressure_kPa, pressures)]),
        "grit": ("menu", [job.grit, *grits]),
        "oldest": ("up", [last, *([first + (last - first) / 2] if last > first else [])]),
        "share": ("up", [job.share, *(s for s in (0.95, 0.80) if s != job.share)]),
        "radius_from": ("up", [low, _round(1.25 * low), _round(0.75 * low)] if low else []),
        "radius_to": ("down", [high, _round(0.8 * high), _round(1.25 * high)] if high else []),
        "removal_um": ("down", [job.removal_um, _round(1.5 * job.removal_um)] if job.removal_um else []),
        "residual_burr_mm": ("down", [job.residual_burr_mm, _round(2 * job.residual_burr_mm)]
                             if job.residual_burr_mm else []),
        "thickness_mm": ("both", [job.thickness_mm, *_far_first(job.thickness_mm, rows["thickness_mm"])]),
        "confidence": ("up", [job.confidence, *(c for c in (0.90, 0.99) if c != job.confidence)])}
    if low and high:
        ends["radius_from"][1][:] = [v for v in ends["radius_from"][1] if v < _round(0.8 * high)]
        ends["radius_to"][1][:] = [v for v in ends["radius_to"][1] if v > _round(1.25 * low)]
    return {name: (kind, list(dict.fromkeys(values))) for name, (kind, values) in ends.items()}


def _far_first(own: float, tried: Any) -> list[float]:
    """The ends of what was tried, the one further from the job's own first."""
    return sorted((float(tried.min()), float(tried.max())), key=lambda v: -abs(math.log(v / own)))


def _round(value: float) -> float:
    """Two digits: a limit that one would write on a drawing."""
    return float(f"{value:.2g}")


def _axis(results: Results, job: Job, name: str, kind: Kind, values: Sequence[Any]) -> Axis:
    system = results.study.units
    own = values[0]
    ordered = sorted(values, key=lambda v: int(v[1:]) if isinstance(v, str) else v)
    label, words = {
        "grit": ("grit", lambda v: v), "share": ("share of edges promised", percent),
        "confidence": ("confidence", percent),
        "oldest": ("sheet changed at", lambda v: hours(replace(job, sheet_hours=(v, v)))),
        "radius_from": ("least edge radius", lambda v: limit("edge_radius_mm", v, system, "up")),
        "radius_to": ("greatest edge radius", lambda v: limit("edge_radius_mm", v, system, "down")),
    }.get(name) or (QUANTITIES[name].label, lambda v: shown(name, v, system))
    if name in ("removal_um", "residual_burr_mm"):
        label, words = f"{label} at most", lambda v: limit(name, v, system, "down")
    numbers, decimals, unit = _numbers(name, ordered, system)
    return Axis(name, label, kind, tuple(ordered), tuple(words(v) for v in ordered), ordered.index(own), numbers,
                decimals, unit)


def _numbers(name: str, values: Sequence[Any], system: System) -> tuple[tuple[float, ...], int, str]:
    """Values as a slider shows them, with their decimals and their unit; a limit's own value with a digit more."""
    if name == "grit":
        return (), 0, ""
    if name in ("share", "confidence"):
        return tuple(100 * v for v in values), 1, "%"
    other = {"oldest": "contact_hours", "radius_from": "edge_radius_mm", "radius_to": "edge_radius_mm"}
    quantity = other.get(name, name)
    known = QUANTITIES[quantity]
    decimals = known.metric_decimals if system == "metric" else known.imperial_decimals
    limited = name in ("radius_from", "radius_to", "removal_um", "residual_burr_mm")
    return (tuple(float(f"{v:.6g}") for v in in_shown(quantity, values, system)), decimals + limited,
            unit_of(quantity, system))


def page_data(results: Results, about: Sequence[Surface]) -> dict[str, Any]:
    """What the page needs: for each job its axes, and for each combination the answer in printed digits.

    Sentences stand once under "said"; an answer's "more" are their places there.
    """
    system, said = results.study.units, {}
    return {"unit": unit_of(SPEED, system), "finer": FINER,
            "jobs": [{"name": f"{job_name(s.job, system)} ({settings(s.job, system)})",
                      "from": _tried(results, s.job)[0], "to": _tried(results, s.job)[1],
                      "ends": [shown(SPEED, v, system) for v in _tried_m_min(results, s.job)], "together": s.together,
                      "axes": [{"label": a.label, "kind": a.kind, "words": a.words, "own": a.own, "numbers": a.numbers,
                                "decimals": a.decimals, "unit": a.unit} for a in s.axes],
                      "cells": {" ".join(map(str, place)): _cell(w, system, said) for place, w in s.windows.items()}}
                     for s in about], "said": list(said)}


def _tried(results: Results, job: Job) -> tuple[float, float]:
    slowest, fastest = (float(in_shown(SPEED, v, results.study.units)) for v in _tried_m_min(results, job))
    return float(f"{slowest:.4g}"), float(f"{fastest:.4g}")


def _tried_m_min(results: Results, job: Job) -> tuple[float, float]:
    tried = results.log.rows[SPEED].to_numpy(float)[of_material(results, job)]
    return float(tried.min()), float(tried.max())


def _cell(window: SpeedWindow, system: Any, said: dict[str, int]) -> dict[str, Any]:
    """One answer; its sentences are put into `said`, each at its place."""
    issued = window.verdict == "window"
    more = [said.setdefault(text, len(said)) for text in window.reasons[2 if issued else 1:]]
    if not issued:
        return {"no": window.verdict, "why": window.reasons[0] if window.reasons else "", "more": more}
    printed = speeds(window, system)
    return {"low": printed.low, "high": printed.high, "point": printed.set_point, "below": window.binds_low or "",
            "above": window.binds_high or "", "more": more}
