"""What an answer says of the earlier logs of the line that stand behind it."""

from __future__ import annotations

import numpy as np

from .lawfit import LawFit
from .linefit import LineFit
from .posterior import Posterior
from .rows import weight_of_second
from .wording import Remark, count, percent

CHANGED = 0.35
"""A history that weighs less than this in the prior, of one half, is told to be unlike the log. Judgement."""
_WILDER = 1.2
"""SDs above those of the past from which spreads are told to be so. Of 70 lines that were as before it is said of 2, of
70 whose spreads are all half as much again of 42, by the odds above alone of 22: simulated lines, no source."""


def wilder(post: Posterior, new_sheets: bool = False) -> float:
    """How many SDs of chance, about, the spreads of a log lie above those of its past, all together.

    Of edges, plates and, where these are not new, sheets: what the log tells under the standard prior alone.
    """
    data, levels = post.data, 2 if new_sheets else 3
    weight = post.weight * (1 - weight_of_second(data, post.nodes.sd))
    at = np.cumsum([0, len(data.edge_spread), len(data.plate_spread)])[:levels]
    found = np.log(post.nodes.sd[:, at])
    mean = weight @ found / max(weight.sum(), 1e-300)
    variance = weight @ (found - mean) ** 2 / max(weight.sum(), 1e-300)
    past = [data.second_prior[i] for i in at]
    far = (mean - np.log([p.median for p in past])) / np.sqrt(variance + np.array([p.log_sd for p in past]) ** 2)
    return float(far.sum() / np.sqrt(levels))


def said(model: LineFit, fitted: LawFit) -> list[Remark]:
    """What was learned of earlier logs, what was not, and whether the line has changed; nothing without any."""
    past, post, found = model.past, fitted.posterior, []
    if model.repeated:
        found.append(Remark(f"{count(model.repeated, 'plate')} of the earlier logs "
                            f"{'stands' if model.repeated == 1 else 'stand'} in another log of the study too: counted "
                            "once."))
    if model.too_few:
        found.append(Remark(f"{count(model.too_few, 'earlier log')} {'holds' if model.too_few == 1 else 'hold'} hardly "
                            "a measured edge radius: nothing is learned there."))
    if past is None:
        return found
    as_before = float(post.weight @ weight_of_second(post.data, post.nodes.sd))
    whose = (f"{past.logs} earlier log{'s' if past.logs > 1 else ''} of this line ({past.sheets} "
             f"sheet{'s' if past.sheets > 1 else ''})")
    sheets = ("sheets are said to be new, so theirs were not taken over" if past.new_sheets else
              "sheets are taken to be as before; say new_sheets in the study if lot or supplier changed")
    worn = "" if past.new_sheets else " wear,"
    law = f"Exponents,{worn} edge positions and spreads" if fitted.law_as_before else "Spreads of plates and edges"
    found.append(Remark(f"{law} are learned from {whose} too; {sheets}."))
    if not fitted.law_as_before:
        found.append(Remark("The line has changed: exponents, wear or edge positions of this log do not look like "
                            "those of its past, which therefore count for nothing."))
    if as_before < CHANGED:
        found.append(Remark("The line has changed: the spreads of this log do not look like those of its past "
                            f"({percent(round(as_before, 2))} as before), which therefore counts for less."))
    elif wilder(post, past.new_sheets) > _WILDER:
        found.append(Remark("It looks as if the line has changed: edges, plates and sheets of this log scatter more "
                            "than those of its past, which still counts.",
                            "If you know of a change leave `history` out."))
    return found
