"""Tables of the fit and of its checks with heads in the words of the trade; the field's own term stands under each."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal, NamedTuple

import pandas as pd

from .otherpriors import BURR, CUT
from .tables import Table

Kind = Literal["as it is", "share", "change", "times"]


class Head(NamedTuple):
    """What stands over a column, and its numbers: a share of 1 or the change of a factor from 1 in %, times to 0.1."""

    words: str
    kind: Kind = "as it is"


class _Words(NamedTuple):
    caption: str
    heads: Mapping[str, Head]


_OF_UNITS = {"material": Head("material"), "readings": Head("readings"), "inside": Head("in the band, %", "share"),
             "effect": Head("radius against foreseen, %", "change"),
             "score": Head("off, times what is usual", "times")}
_OFF = ("In the band: readings in the middle 90 % of what the rest of the log foresees. Off: by how much the radius is "
        "over or under, divided by how much a {} usually is (standard score).")
_WORDS: Mapping[str, _Words] = {
    "held_out": _Words(
        "In the band: readings in the middle 90 % of what the rest of the log foresees (predictive interval). Perhaps: "
        "what that share may be in the long run, given so few sheets or plates (95 % confidence interval).",
        {"left_out": Head("left out"), "units": Head("how many"), "readings": Head("readings on them"),
         "inside": Head("in the band, %", "share"), "low": Head("perhaps from, %", "share"),
         "high": Head("perhaps to, %", "share")}),
    "burr": _Words(
        "Foreseen: the middle count, and from where to where it lies in 90 of 100 such trials (predictive interval).",
        {"limit": Head("burr limit"), "left_out": Head("sheets left out"), "edges": Head("edges read on them"),
         "left": Head("edges with more burr"), "foreseen": Head("foreseen, edges"),
         "low": Head("foreseen from, edges"), "high": Head("foreseen to, edges")}),
    "sheets": _Words(_OFF.format("new sheet"), {"abrasive_sheet": Head("sheet"), **_OF_UNITS}),
    "plates": _Words(_OFF.format("plate on its sheet"), {"run": Head("plate"), **_OF_UNITS}),
    "influence": _Words(
        "Each window worked out again without some sheets (influence, sheets left out); + is faster, − slower.",
        {"job": Head("job"), "left_out": Head("sheets left out"), "window": Head("window"),
         "without": Head("window without them"), "low_moves_percent": Head("slow end moves, %"),
         "high_moves_percent": Head("fast end moves, %")}),
    "priors": _Words(
        "How much sheets are assumed to differ before the trials (median of the prior), and what the trials make of it "
        "(median of the posterior): in % of the radius, or in times (×) the burr's own scatter from edge to edge.",
        {"job": Head("job"), "spread": Head("sheets differ in"), "prior_median": Head("assumed before"),
         "posterior_median": Head("found by the trials"), "window": Head("window then")}),
    "coefficients": _Words(
        "Assumed: before the trials (prior); found: after them (posterior); ±: one standard deviation. Settled: how "
        "much of the assumed ± the trials took away. Powers of the settings, levels in logs; burr in units of its own "
        "scatter from edge to edge.",
        {"law": Head("law"), "term": Head("what it goes with"), "prior_mean": Head("assumed"),
         "prior_sd": Head("assumed, ±"), "mean": Head("found"), "sd": Head("found, ±"),
         "learned": Head("settled, %", "share")}),
    "spreads": _Words(
        "How much one differs from the next, in % of what is measured (standard deviation): assumed before the trials, "
        "found after them, and the middle 90 % of what it may be. Settled: as with the coefficients.",
        {"law": Head("of"), "level": Head("from one to the next"), "prior_median": Head("assumed, %", "share"),
         "median": Head("found, %", "share"), "low": Head("perhaps from, %", "share"),
         "high": Head("perhaps to, %", "share"), "learned": Head("settled, %", "share")}),
    "model_sheets": _Words(
        "Edge radius of each abrasive sheet over (+) or under (−) that of a usual one, and the middle 90 % of what it "
        "may be (sheet effect).",
        {"abrasive_sheet": Head("sheet"), "effect": Head("radius against a usual sheet, %", "change"),
         "low": Head("perhaps from, %", "change"), "high": Head("perhaps to, %", "change"), "plates": Head("plates"),
         "first_hours": Head("first plate at, h"), "last_hours": Head("last plate at, h")})}


def trade_table(name: str, frame: pd.DataFrame) -> Table:
    """A table as it is read; `name`: that of the check, or "coefficients", "spreads", "model_sheets" of the fit.

    >>> print(trade_table("held_out", pd.DataFrame({"left_out": ["sheets"], "inside": [0.912]})))
    left out in the band, %
      sheets           91.2
    """
    caption, heads = _WORDS[name]
    if name == "priors":
        frame = _sheets_assumed(frame)
    columns = {heads[column].words: _numbers(frame[column], heads[column].kind) for column in frame}
    return Table(pd.DataFrame(columns, index=frame.index), caption)


def _numbers(column: pd.Series, kind: Kind) -> pd.Series:
    if kind == "as it is":
        return column
    return (column if kind == "times" else 100 * (column - (kind == "change"))).round(1)


def _sheets_assumed(frame: pd.DataFrame) -> pd.DataFrame:
    """How much sheets differ, each number with what it is measured in, for they are not all alike."""
    cut = frame["spread"] == CUT
    words = {name: [f"{100 * v:.1f} %" if of_cut else f"{v:.2f} ×" for v, of_cut in zip(frame[name], cut, strict=True)]
             for name in ("prior_median", "posterior_median")}
    return frame.assign(spread=frame["spread"].map({CUT: "their cut", BURR: "the burr they leave"}), **words)
