"""What an answer says of the earlier logs of the line that stand behind it."""

from __future__ import annotations

from .lawfit import LawFit
from .linefit import LineFit
from .rows import weight_of_second
from .wording import count, percent

CHANGED = 0.35
"""A history that weighs less than this in the prior, of one half, is told to be unlike the log. Judgement."""


def said(model: LineFit, fitted: LawFit) -> list[str]:
    """What was learned of earlier logs, what was not, and whether the line has changed; nothing without any."""
    past, post, found = model.past, fitted.posterior, []
    if model.repeated:
        found.append(f"{count(model.repeated, 'plate')} of the earlier logs "
                     f"{'stands' if model.repeated == 1 else 'stand'} in another log of the study too: counted once.")
    if model.too_few:
        found.append(f"{count(model.too_few, 'earlier log')} {'holds' if model.too_few == 1 else 'hold'} hardly a "
                     "measured edge radius: nothing is learned there.")
    if past is None:
        return found
    as_before = float(post.weight @ weight_of_second(post.data, post.nodes.sd))
    whose = (f"{past.logs} earlier log{'s' if past.logs > 1 else ''} of this line ({past.sheets} "
             f"sheet{'s' if past.sheets > 1 else ''})")
    sheets = ("sheets are said to be new, so theirs were not taken over" if past.new_sheets else
              "sheets are taken to be as before; say new_sheets in the study if lot or supplier changed")
    worn = "" if past.new_sheets else " wear,"
    law = f"Exponents,{worn} edge positions and spreads" if fitted.law_as_before else "Spreads of plates and edges"
    found.append(f"{law} are learned from {whose} too; {sheets}.")
    if not fitted.law_as_before:
        found.append("The line has changed: exponents, wear or edge positions of this log do not look like those of "
                     "its past, which therefore count for nothing.")
    if as_before < CHANGED:
        found.append(f"The line has changed: the spreads of this log do not look like those of its past "
                     f"({percent(round(as_before, 2))} as before), which therefore counts for less.")
    return found
