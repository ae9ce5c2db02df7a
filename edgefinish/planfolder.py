"""What a plan leaves in its folder: the plates, the form for the floor, and a page on what the trial should settle."""

from __future__ import annotations

import hashlib
import json
from importlib.metadata import version
from pathlib import Path
from typing import Any

import pandas as pd
import plotly.graph_objects as go

from .cautions import DEFER
from .drawing import COLOURS, SHEET_SHAPES, empty, line, word
from .errors import Problem, RunError
from .expected import Expected, percent_said
from .explore import SEED
from .forms import readable
from .labels import apart
from .place import record_of, written_whole
from .planner import Plan
from .setupsheet import environment
from .svg import svg
from .trialform import form_html, form_xlsx
from .wording import job_name, limits, settings

FILES = ("form.html", "form.xlsx", "plan.csv", "plan.html", "plan.json")
QUESTION = "How much of the true window is a trial expected to settle?"
_DASHES = ("solid", "dash", "dot")
HEIGHT, NAME_HEIGHT = 300, 16


def write_plan(planned: Plan, expected: Expected | None, target: Path, study_sha256: str = "") -> Path:
    """Write the plan into a folder, whole or not at all; returns the folder.

    Raises `RunError` where something else lies there, or the disk refuses. A folder that an earlier plan made is
    replaced, unless its form was changed: filled forms are never overwritten.
    """
    target = Path(target).expanduser().absolute()
    check_folder(target)
    made = {"plan.csv": planned.runs.to_csv(index=False, lineterminator="\n").encode(),
            "form.xlsx": form_xlsx(planned), "form.html": form_html(planned).encode(),
            "plan.html": plan_html(planned, expected).encode()}
    record = {"edgefinish": version("edgefinish"), "seed": SEED, "study_sha256": study_sha256,
              "form_sha256": _digest(made["form.xlsx"])}
    made["plan.json"] = (json.dumps(
        {"record": record, "runs": _plain(planned.runs), "told": list(planned.told),
         "expected": None if expected is None else {
             "said": list(expected.said), "lines": expected.lines, "simulated": _plain(expected.simulated),
             "table": _plain(expected.table)}},
        ensure_ascii=False, sort_keys=True, indent=1, allow_nan=False) + "\n").encode()
    with written_whole(target, check_folder, _foreign) as folder:
        for name in FILES:
            (folder / name).write_bytes(made[name])
    return target


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()


def check_folder(target: Path) -> None:
    """Refuse a folder that no earlier plan made, that holds anything besides, or whose form was filled."""
    target = Path(target).expanduser().absolute()
    record = record_of(target, "plan.json", "plan")
    if record is None:
        return
    foreign = [p.name for p in _foreign(target)]
    form = target / "form.xlsx"
    if form.exists() and _digest(form.read_bytes()) != record.get("form_sha256"):
        foreign.append("form.xlsx, which was changed since")
    if foreign:
        raise RunError([Problem(None, None, name, "only what a plan leaves", "move it elsewhere first")
                        for name in foreign], "the folder would be replaced whole")


def _foreign(folder: Path) -> list[Path]:
    """What lies in a folder and is none of a plan's files."""
    return sorted(p for p in folder.iterdir() if p.name not in FILES)


def _plain(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Rows as plain values of six significant digits."""
    def value(v: Any) -> Any:
        if v is None or (isinstance(v, float) and pd.isna(v)):
            return None
        return float(f"{v:.6g}") if isinstance(v, float) else v if isinstance(v, str) else int(v)

    return [{str(k): value(v) for k, v in row.items()} for row in table.to_dict("records")]


def plan_html(planned: Plan, expected: Expected | None) -> str:
    """The plan as one page that asks nothing of any network."""
    figure = None if expected is None else expected_figure(expected)
    return environment().get_template("plan.html.jinja").render(
        plan=planned, jobs=[{"name": job_name(j, planned.units), "settings": settings(j, planned.units),
                             "limits": ", ".join(limits(j, planned.units))} for j in planned.jobs],
        runs=_cells(readable(planned.runs, planned.units)), expected=expected,
        sizes=None if expected is None else _cells(expected_table(expected)),
        defer=DEFER,
        question="" if figure is None else QUESTION, lines="" if expected is None else _figure_said(expected),
        picture="" if figure is None else svg(figure, "figure-1"))


def _cells(table: pd.DataFrame) -> dict[str, Any]:
    return {"head": list(table.columns),
            "rows": [["" if pd.isna(v) else f"{v:g}" if isinstance(v, float) else str(v) for v in row]
                     for row in table.itertuples(index=False)]}


def expected_table(expected: Expected) -> pd.DataFrame:
    """Sizes of trial with what they are expected to settle, for reading."""
    table = expected.table
    shown = pd.DataFrame({
        "plates": table["plates"], "sheets": table["sheets"], "edges a plate": table["edges"],
        "of the true window, %": table["width"].map(percent_said),
        "±, two standard errors": (200 * table["error"]).round(0).astype(int),
        "chance of a window, %": table["chance"].map(percent_said), "line time, h": table["hours"].round(1)})
    return shown if table["cost"].isna().all() else shown.assign(cost=table["cost"].round(0).astype(int))


def _figure_said(expected: Expected) -> str:
    return (f"{expected.own.edges} edges measured on a plate. Points, in the colour of their curve: one size as "
            f"simulated on {expected.lines} imagined lines, with two standard errors. Curves: smoothed over all "
            "simulated sizes; compare sizes by the curves, points stand off by chance.")


def expected_figure(expected: Expected) -> go.Figure:
    """Expected share of the true window against plates, a line for each number of sheets; simulated sizes as points."""
    own, table = expected.own, expected.table
    fig = empty(QUESTION, [_figure_said(expected)], "One curve for each number of sheets against the number of plates.",
                HEIGHT)
    own_edges = table[table["edges"] == own.edges]
    points = expected.simulated[expected.simulated["edges"] == own.edges]
    right = float(own_edges["plates"].max())
    top = 100 * min(1.0, float((points["width"] + 2 * points["error"]).max()) + 0.05)
    drawn = list(own_edges[own_edges["sheets"].isin(points["sheets"])].groupby("sheets"))
    ends = {sheets: 100 * float(part["width"].iloc[-1]) for sheets, part in drawn}
    rising = sorted(ends, key=lambda s: ends[s])
    places = dict(zip(rising, apart([ends[s] for s in rising], NAME_HEIGHT * top / HEIGHT, 0.0, top), strict=True))
    for k, (sheets, part) in enumerate(drawn):
        x, y = part["plates"].to_numpy(float), 100 * part["width"].to_numpy(float)
        colour = list(COLOURS.values())[k % len(COLOURS)]
        line(fig, x, y, _DASHES[k % len(_DASHES)], colour=colour)
        word(fig, right * 1.03, float(places[sheets]), f"{sheets} sheets", xanchor="left", xshift=8,
             font={"size": 11, "color": colour})
        for size in points[points["sheets"] == sheets].itertuples():
            at, middle, spread = size.plates + (k - 1) * right / 80, 100 * size.width, 200 * size.error
            line(fig, [at] * 2, [middle - spread, middle + spread], width=1.0, colour=colour)
            fig.add_scatter(x=[at], y=[middle], mode="markers", showlegend=False, hoverinfo="x+y",
                            marker={"size": 7, "color": colour, "symbol": SHEET_SHAPES[k % 3]})
    fig.update_xaxes(title_text="plates", range=[0, 1.25 * right])
    fig.update_yaxes(title_text="of the true window, %", range=[0, top])
    return fig
