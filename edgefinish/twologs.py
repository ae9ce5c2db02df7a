"""What several logs of one study say of each other: plates and sheets that bear one name in two of them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from .checks import SETTINGS, Gathered
from .wording import count, listed


def numbered_alike(log: Gathered) -> frozenset[str]:
    """Runs that stand in several logs, each log with settings of its own: other plates under one name. One fault says
    so of all of them. Where it is one setting alone, it may be wrong in one log, and its rows are said one by one."""
    if len(log.found) < 2 or "run" not in log.frame:
        return frozenset()
    frame, unlike = log.frame.assign(log=log.file_of).dropna(subset="run"), dict[str, set[str]]()
    for column in (c for c in SETTINGS if c in frame):
        each = frame.groupby(["run", "log"])[column].agg(["nunique", "first"]).reset_index()
        run = each.groupby("run").agg(within=("nunique", "max"), between=("first", "nunique"))
        if other := set(run.index[(run["within"] == 1) & (run["between"] > 1)]):
            unlike[column] = other
    if len(unlike) < 2:
        return frozenset()
    apart = frozenset[str]().union(*unlike.values())
    names = [n for n in dict.fromkeys(frame["run"]) if n in apart]
    mine = frame[frame["run"].isin(apart)]
    files = [str(log.found[i].file) for i in sorted(set(mine["log"]))]
    later = mine["log"] > mine["log"].min()
    log.fault(int(mine.index[later][0]), "run",
              f"{count(len(names), 'run')}, {names[0]} first, in {len(files)} logs, unlike in settings",
              "one plate under one name",
              f"of {listed(files)}: where they are other plates, give the runs of one log names of their own, such as "
              f"2-{names[0]}; where they are the same, correct the settings that are wrong")
    return apart


def tell_sheets_of_two_logs(log: Gathered, keep: np.ndarray) -> None:
    """A sheet of two logs without dates, whose hours in one begin before those in the other end, is told: two sheets
    that were both called 1 look like that. Where there are dates, hours that run backwards are told by them."""
    need = ["abrasive_sheet", "contact_hours"]
    if len(log.found) < 2 or not set(need) <= set(log.frame):
        return
    part = log.frame.loc[keep, need].assign(log=log.file_of[keep], position=np.flatnonzero(keep))
    if "date" in log.frame:
        part = part[pd.isna(log.frame.loc[keep, "date"])]
    spans = part.dropna().groupby(["abrasive_sheet", "log"]).agg(
        least=("contact_hours", "min"), most=("contact_hours", "max"), position=("position", "first")).reset_index()
    for sheet, both in spans.groupby("abrasive_sheet"):
        first = both.iloc[0]
        for here in both.iloc[1:].itertuples():
            if here.least < first["most"] and first["least"] < here.most:
                log.tell(int(here.position), "abrasive_sheet", "told",
                         f"sheet {sheet} has {here.least:.6g} to {here.most:.6g} h here and {first['least']:.6g} to "
                         f"{first['most']:.6g} h in {log.found[first['log']].file}, and no dates: if it is another "
                         "sheet, give it a name of its own")
