"""Figures as SVG: everything where the numbers put it, as text what is text, the same bytes twice."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pages
import plotly.graph_objects as go
import pytest

from edgefinish import figures
from edgefinish.drawing import SHAPES, SHEET_SHAPES, empty, limit_line, line, readings, word
from edgefinish.svg import WIDTH, svg

SPACE = "{http://www.w3.org/2000/svg}"


def _paths(text, **wanted):
    found = [e for e in ElementTree.fromstring(text).iter(f"{SPACE}path")]
    return [e for e in found if all(e.get(k.replace("_", "-")) == v for k, v in wanted.items())]


def _numbers(path):
    return np.array([float(n) for n in re.findall(r"-?\d*\.?\d+", path.get("d"))])


def test_points_lie_where_the_axes_say():
    fig = empty("Where?", [], "A text.", 200)
    line(fig, [1.0, 2.0, 4.0], [10.0, 20.0, 40.0], colour="#123456")
    fig.update_xaxes(range=[0, 5])
    fig.update_yaxes(range=[0, 50])
    text = svg(fig, "f")
    x, y = _numbers(_paths(text, stroke="#123456")[0]).reshape(-1, 2).T
    # 0 and 5 are at the ends of the axis line: 58 from the left, 16 from the right, as `empty` has its margins.
    np.testing.assert_allclose(x, 58 + np.array([1, 2, 4]) / 5 * (WIDTH - 16 - 58), atol=0.05)
    assert (y[0] - y[1]) / 10 == pytest.approx((y[1] - y[2]) / 20, abs=0.02)
    words = {e.text: float(e.get("x")) for e in ElementTree.fromstring(text).iter(f"{SPACE}text") if e.get("x")}
    assert words["1"] == pytest.approx(x[0], abs=0.05) and words["4"] == pytest.approx(x[2], abs=0.05)


def test_a_log_of_numbers_gets_round_ticks():
    from edgefinish.svg import _step
    for span in (0.013, 0.9, 4.6, 15.4, 104.0, 5000.0):
        step = _step(span)
        assert step / 10 ** np.floor(np.log10(step)) == pytest.approx(1) or round(step / 10 ** np.floor(
            np.log10(step))) in (2, 5)
        assert 2 <= span / step <= 7


def test_every_mark_has_an_outline_of_its_own():
    wanted = {*SHAPES.values(), *SHEET_SHAPES, "triangle-down-open", "triangle-up-open", "circle-open", "x", "line-ew",
              "line-ns", "line-ew-open"}
    seen = set()
    for symbol in sorted(wanted):
        fig = go.Figure(go.Scatter(x=[1.0], y=[1.0], mode="markers", marker={"symbol": symbol, "size": 8}))
        fig.update_layout(height=200)
        mark = ElementTree.fromstring(svg(fig, "f")).find(f".//{SPACE}marker/{SPACE}path")
        seen.add((mark.get("d"), mark.get("fill")))
    assert len(seen) == len(wanted) - 1  # an open line is a line


def test_what_lies_outside_the_range_is_clipped_and_what_is_named_is_in_reach():
    fig = empty("Where?", [], "A text.", 200)
    line(fig, [0.0, 1.0], [0.0, 1.0])
    limit_line(fig, 7.0, 1.0, "limit 7")
    text = svg(fig, "f")
    assert len(re.findall(r'clip-path="url\(#f-xy\)"', text)) == 1
    heights = [float(t.text) for t in ElementTree.fromstring(text).iter(f"{SPACE}text")
               if re.fullmatch(r"\d+", t.text or "") and t.get("text-anchor") == "end"]
    assert max(heights) >= 6


def test_every_figure_is_well_formed_and_says_what_it_shows():
    told = pages.demo()
    window = pages.issued(told)[0]
    for draw in (figures.window_figure, figures.radius_by_position):
        fig = draw(told, window)
        text = svg(fig, "figure-1")
        root = ElementTree.fromstring(text)
        assert root.get("role") == "img" and root.get("aria-label") == fig.layout.meta["text"]
        assert text == svg(draw(told, window), "figure-1")
        ids = [e.get("id") for e in root.iter() if e.get("id")]
        assert len(ids) == len(set(ids)) and all(i.startswith("figure-1-") for i in ids)
        assert set(re.findall(r"url\(#([^)]+)\)", text)) <= set(ids)


def test_every_reading_is_a_mark():
    told = pages.demo()
    window = pages.issued(told)[0]
    fig = empty("Where?", [], "A text.", 200)
    index = np.flatnonzero(~np.isnan(told.log.reading("edge_radius_mm").value))[:100]
    readings(fig, told, "edge_radius_mm", index, told.log.rows["feed_speed_m_min"].to_numpy(float), window.job)
    carried = [p for p in _paths(svg(fig, "f")) if "marker" in (p.get("style") or "")]
    assert sum(len(_numbers(p)) // 2 for p in carried) == len(index)


def test_names_stay_text_and_on_the_picture():
    fig = empty("Where?", [], "A text.", 200)
    line(fig, [0.0, 1.0], [0.0, 1.0])
    word(fig, 0.0, 0.5, pages.TAG + " & " + pages.UMLAUT, xanchor="left")
    word(fig, 1.0, 0.5, "long name " * 30, xanchor="right")
    text = svg(fig, "f")
    assert "<img" not in text and "</script" not in text
    words = [t.text for t in ElementTree.fromstring(text).iter(f"{SPACE}text")]
    assert any(w.startswith(pages.TAG) for w in words) and any(w.endswith("…") and len(w) < 80 for w in words)
