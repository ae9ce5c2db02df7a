"""A figure as SVG: the figure that notebooks draw, as shapes that need no script, print crisply and shrink to a phone.

Knows the parts that our pictures are made of: scatter traces, lines and rectangles, labels, axes. Question and smaller
lines are left to the page, which wraps them.
"""

from __future__ import annotations

import html
import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import plotly.graph_objects as go

from .drawing import figure_json

WIDTH = 460
_TOP, _ROOM, _TICKS = 10, 18, 5
_ROW, _MOST_ROWS = 11, 4
_LETTER = 0.62
"""Width of a letter over its size, on the wide side for a plain face."""
_GREY, _AXIS = "#e3e3e3", "#777"
_ANCHORS = {"left": "start", "center": "middle", "right": "end"}
_DASHES = {"dash": "6 4", "dot": "1.5 3"}


def svg(fig: go.Figure, name: str) -> str:
    """The figure as one `<svg>` element, `WIDTH` units wide; `name` is unique on its page. The same bytes each time.

    >>> svg(go.Figure(go.Scatter(x=[1.0, 2.0], y=[3.0, 4.0], mode="lines"), layout={"height": 200}), "figure-1")[:56]
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 460'
    """
    bare = figure_json(fig)
    return _Sheet.of(bare["data"], bare["layout"], name).drawn(bare["data"], bare["layout"])


@dataclass(frozen=True)
class _Axis:
    """One axis of one panel: values from `low` to `high` lie from `start` to `end`, in drawing units."""

    low: float
    high: float
    start: float
    end: float
    entry: dict[str, Any]

    def at(self, value: float) -> float:
        """Where a value lies."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def part(self, share: float) -> float:
        """Where a share of the axis lies."""
        return self.start + share * (self.end - self.start)

    @property
    def ticks(self) -> list[tuple[float, str]]:
        """Round values with their words."""
        if "tickvals" in self.entry:
            words = self.entry["ticktext"]
            return [(float(v), str(t)) for v, t in zip(self.entry["tickvals"], words, strict=True)]
        step = _step(self.high - self.low)
        decimals = max(0, -math.floor(math.log10(step) + 1e-9))
        first = math.ceil(self.low / step - 1e-9)
        return [(k * step, f"{k * step:.{decimals}f}") for k in range(first, math.floor(self.high / step + 1e-9) + 1)]


def _step(span: float) -> float:
    """A round step, 1, 2 or 5 times a power of ten, of which about five make the span.

    >>> _step(2.1), _step(70.0)
    (0.5, 20.0)
    """
    raw = span / _TICKS
    power = 10.0 ** math.floor(math.log10(raw))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= raw * 0.85)


@dataclass(frozen=True)
class _Sheet:
    """The axes by plotly's short name ("x", "y2"), the pairs of them that hold anything, and the size of the whole."""

    name: str
    axes: dict[str, _Axis]
    panels: tuple[tuple[str, str], ...]
    height: float
    top: float
    bottom: float
    left: float
    right: float

    @classmethod
    def of(cls, data: list[dict[str, Any]], layout: dict[str, Any], name: str) -> _Sheet:
        margin = {"t": 0, "b": 46, "l": 58, "r": 16} | layout.get("margin", {})
        titled = any(a.get("yref") == "paper" and a.get("yanchor") == "bottom" for a in layout.get("annotations", ()))
        top = _TOP + (_ROOM if titled else 0)
        bottom = top + layout["height"] - margin["t"] - margin["b"]
        left, right = float(margin["l"]), float(WIDTH - margin["r"])
        entries = {k.replace("axis", ""): v for k, v in layout.items() if k[1:5] == "axis"}
        roots = {k: entries.get(k, {}).get("matches", k) for k in {"x", "y", *entries}}
        seen = _seen(data, layout, roots)
        axes = {}
        for key in sorted(roots):
            entry = entries.get(key, {})
            whole = entries.get(roots[key], {}) | entry
            low, high = _range(seen.get(roots[key], []), whole, pad=0.03 if key[0] == "x" else 0.06)
            first, last = entry.get("domain", (0.0, 1.0))
            ends = ((left + first * (right - left), left + last * (right - left)) if key[0] == "x" else
                    (bottom - first * (bottom - top), bottom - last * (bottom - top)))
            axes[key] = _Axis(low, high, *ends, entry)
        drawn = {(t.get("xaxis", "x"), t.get("yaxis", "y")) for t in data} or {("x", "y")}
        deep = max(_ROW * (_rows(a) - 1) for k, a in axes.items() if k[0] == "x")
        return cls(name, axes, tuple(sorted(drawn)), bottom + margin["b"] + deep, top, bottom, left, right)

    def place(self, ref: str, value: float) -> float:
        """Where a coordinate lies: of an axis, of a share of an axis ("x2 domain"), or of the whole ("paper")."""
        if ref == "x paper":
            return self.left + value * (self.right - self.left)
        if ref == "y paper":
            return self.bottom - value * (self.bottom - self.top)
        axis, _, domain = ref.partition(" ")
        return self.axes[axis].part(value) if domain else self.axes[axis].at(value)

    def drawn(self, data: list[dict[str, Any]], layout: dict[str, Any]) -> str:
        """Everything, back to front."""
        shapes = layout.get("shapes", ())
        parts = [self._clips(), self._grids()]
        parts += [self._shape(s) for s in shapes if s.get("layer") == "below"]
        parts += [self._trace(t, k) for k, t in enumerate(data)]
        parts += [self._shape(s) for s in shapes if s.get("layer") != "below"]
        parts += [self._frames(), *(self._annotation(a) for a in layout.get("annotations", ())),
                  self._legend([t for t in data if t.get("name")], len(data))]
        return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {_n(self.height)}" '
                f'role="img" aria-label="{html.escape(layout.get("meta", {}).get("text", ""))}">'
                + "".join(parts) + "</svg>")

    def _clips(self) -> str:
        clips = []
        for x, y in self.panels:
            a, b = self.axes[x], self.axes[y]
            clips.append(f'<clipPath id="{self.name}-{x}{y}"><rect x="{_n(a.start)}" y="{_n(b.end)}" '
                         f'width="{_n(a.end - a.start)}" height="{_n(b.start - b.end)}"/></clipPath>')
        return f"<defs>{''.join(clips)}</defs>"

    def _grids(self) -> str:
        paths = []
        for x, y in self.panels:
            a, b = self.axes[x], self.axes[y]
            if a.entry.get("visible") is not False:
                paths += [f"M{_n(a.at(v))} {_n(b.start)}V{_n(b.end)}" for v, _ in a.ticks]
            if b.entry.get("visible") is not False:
                paths += [f"M{_n(a.start)} {_n(b.at(v))}H{_n(a.end)}" for v, _ in b.ticks]
        return f'<path d="{"".join(paths)}" stroke="{_GREY}" fill="none"/>'

    def _frames(self) -> str:
        """Axis lines, ticks, their words and the titles."""
        lines, words = [], []
        for x, y in self.panels:
            a, b = self.axes[x], self.axes[y]
            if a.entry.get("visible") is not False:
                lines.append(f"M{_n(a.start)} {_n(b.start)}H{_n(a.end)}")
                lines += [f"M{_n(a.at(v))} {_n(b.start)}v4" for v, _ in a.ticks]
                written = _words(a, b.start + 16) if a.entry.get("showticklabels") is not False else []
                deep = _ROW * (_rows(a) - 1) if written else 0
                words += [*written, *_title(a, (a.start + a.end) / 2, b.start + 34 + deep)]
            if b.entry.get("visible") is not False:
                lines.append(f"M{_n(a.start)} {_n(b.start)}V{_n(b.end)}")
                lines += [f"M{_n(a.start)} {_n(b.at(v))}h-4" for v, _ in b.ticks]
                if b.entry.get("showticklabels") is not False:
                    words += [_text(a.start - 7, b.at(v) + 4, [t], "end") for v, t in b.ticks]
                aside = min(max(14 + 6.3 * max((len(t) for _, t in b.ticks), default=1), 41.0), 47.0)
                words += _title(b, a.start - aside, (b.start + b.end) / 2, turned=True)
        return f'<path d="{"".join(lines)}" stroke="{_AXIS}" fill="none"/>' + "".join(words)

    def _shape(self, shape: dict[str, Any]) -> str:
        x0, x1 = (self.place(_ref(shape, "x"), shape[k]) for k in ("x0", "x1"))
        y0, y1 = (self.place(_ref(shape, "y"), shape[k]) for k in ("y0", "y1"))
        line = _stroke(shape.get("line", {}))
        if shape["type"] == "line":
            return f'<path d="M{_n(x0)} {_n(y0)}L{_n(x1)} {_n(y1)}"{line}/>'
        low, high = min(x0, x1), max(x0, x1)
        return (f'<rect x="{_n(low)}" y="{_n(min(y0, y1))}" width="{_n(high - low)}" height="{_n(abs(y1 - y0))}" '
                f'fill="{shape["fillcolor"]}"{line}/>')

    def _trace(self, trace: dict[str, Any], number: int) -> str:
        xref, yref = trace.get("xaxis", "x"), trace.get("yaxis", "y")
        x, y = self.axes[xref], self.axes[yref]
        pairs = enumerate(zip(trace["x"], trace["y"], strict=True))
        points = [(k, x.at(float(a)), y.at(float(b))) for k, (a, b) in pairs if a is not None and b is not None]
        if not points:
            return ""
        mode, out = trace["mode"], []
        if "lines" in mode:
            path = "M" + " ".join(f"{_n(a)} {_n(b)}" for _, a, b in points)
            fill = f' fill="{trace["fillcolor"]}"' if trace.get("fill") else ' fill="none"'
            out.append(f'<path d="{path}{"Z" if trace.get("fill") else ""}"{fill}{_stroke(trace.get("line", {}))}'
                       f'{_opacity(trace)}/>')
        if "markers" in mode:
            out.append(_markers(trace.get("marker", {}), points, f"{self.name}-{number}", _opacity(trace)))
        clipped = f'<g clip-path="url(#{self.name}-{xref}{yref})">{"".join(out)}</g>'
        if "text" in mode:
            clipped += "".join(_text(a, b + 4, [str(trace["text"][k])], "middle", trace["textfont"]["size"])
                               for k, a, b in points)
        return clipped

    def _annotation(self, entry: dict[str, Any]) -> str:
        size = entry.get("font", {}).get("size", 12)
        lines = _plain_lines(entry["text"])
        anchor = _ANCHORS[entry.get("xanchor", "center")]
        x = self.place(_ref(entry, "x"), entry["x"]) + entry.get("xshift", 0)
        y = self.place(_ref(entry, "y"), entry["y"]) - entry.get("yshift", 0)
        height = 1.25 * size * len(lines)
        first = y + {"bottom": -height - 2, "top": 2}.get(entry.get("yanchor", "middle"), -height / 2) + size
        room = {"start": WIDTH - x, "end": x, "middle": 2 * min(x, WIDTH - x)}[anchor] - 2
        return _text(x, first, [_fitted(t, size, room) for t in lines], anchor, size, halo=True)

    def _legend(self, named: list[dict[str, Any]], number: int) -> str:
        """Marks with their names, in rows under the picture."""
        out, x, y = [], self.left, self.height - 34
        for k, trace in enumerate(named):
            width = 26 + _LETTER * 12 * len(trace["name"])
            if x + width > WIDTH and x > self.left:
                x, y = self.left, y + 18
            out.append(_markers(trace["marker"], [(0, x + 6, y - 4)], f"{self.name}-{number + k}", ""))
            out.append(_text(x + 15, y, _plain_lines(trace["name"]), "start"))
            x += width
        return "".join(out)


def _seen(data: Iterable[dict[str, Any]], layout: dict[str, Any], roots: dict[str, str]) -> dict[str, list[float]]:
    """Every number that an axis must hold, by the axis that it goes with."""
    out: dict[str, list[float]] = {}
    for trace in data:
        for way in "xy":
            values = [float(v) for v in trace[way] if v is not None]
            out.setdefault(roots[trace.get(f"{way}axis", way)], []).extend(values)
    for entry in (*layout.get("shapes", ()), *layout.get("annotations", ())):
        for way in "xy":
            ref = _ref(entry, way)
            if " " not in ref:
                values = [float(entry[k]) for k in (way, f"{way}0", f"{way}1") if k in entry]
                out.setdefault(roots[ref], []).extend(values)
    return out


def _range(values: list[float], entry: dict[str, Any], pad: float) -> tuple[float, float]:
    if "range" in entry:
        return float(entry["range"][0]), float(entry["range"][1])
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    if entry.get("rangemode") == "tozero":
        low = min(low, 0.0)
    if low == high:
        low, high = low - 0.5, high + 0.5
    room = pad * (high - low)
    return (low if low == 0.0 and entry.get("rangemode") == "tozero" else low - room), high + room


def _ref(entry: dict[str, Any], way: str) -> str:
    ref = entry.get(f"{way}ref", way)
    return f"{way} paper" if ref == "paper" else ref


def _n(value: float) -> str:
    """A length with one decimal, no more letters than it needs."""
    return f"{value:.1f}".removesuffix(".0").replace("-0.", "-.") if abs(value) >= 0.05 else "0"


def _plain_lines(text: str) -> list[str]:
    """A label of a figure as lines of plain text: its own few tags taken out."""
    return [html.unescape(t.replace("<b>", "").replace("</b>", "")) for t in str(text).split("<br>")]


def _fitted(text: str, size: float, room: float) -> str:
    """A line that stays on the picture; what does not fit stands in the text beside it."""
    most = max(4, int(room / (_LETTER * size)))
    return text if len(text) <= most else text[:most - 1].rstrip() + "…"


def _text(x: float, y: float, lines: list[str], anchor: str, size: float = 12, halo: bool = False,
          turned: bool = False) -> str:
    style = f' font-size="{_n(size)}"' if size != 12 else ""
    style += ' class="halo"' if halo else ""
    style += f' text-anchor="{anchor}"' if anchor != "start" else ""
    style += f' transform="rotate(-90 {_n(x)} {_n(y)})"' if turned else ""
    if len(lines) == 1:
        return f'<text x="{_n(x)}" y="{_n(y)}"{style}>{html.escape(lines[0], quote=False)}</text>'
    spans = "".join(f'<tspan x="{_n(x)}" y="{_n(y + 1.25 * size * k)}">{html.escape(t, quote=False)}</tspan>'
                    for k, t in enumerate(lines))
    return f"<text{style}>{spans}</text>"


def _widest(axis: _Axis) -> float:
    """How many ticks' places the widest of their words takes."""
    size = 10 if "tickvals" in axis.entry else 12
    words = [html.unescape(t) for _, t in axis.ticks]
    widest = max((len(t) + t.count("…") for t in words), default=1) * size * _LETTER
    return widest * max(1, len(axis.ticks)) / abs(axis.end - axis.start)


def _rows(axis: _Axis) -> int:
    """In how many rows the words of the ticks stand: names that would run into each other take turns."""
    return min(_MOST_ROWS, math.ceil(_widest(axis))) if "tickvals" in axis.entry and axis.ticks else 1


def _words(axis: _Axis, y: float) -> list[str]:
    """Words of the ticks along the foot; where that is not room enough, only every second, third …"""
    size, rows = 10 if "tickvals" in axis.entry else 12, _rows(axis)
    shown = axis.ticks[::max(1, math.ceil(_widest(axis) / rows))]
    out = []
    for k, (value, text) in enumerate(shown):
        name = _fitted(html.unescape(text), size, WIDTH)
        half = _LETTER * size * len(name) / 2
        x = min(max(axis.at(value), half), WIDTH - half)
        out.append(_text(x, y + _ROW * (k % rows), [name], "middle", size))
    return out


def _title(axis: _Axis, x: float, y: float, turned: bool = False) -> list[str]:
    title = axis.entry.get("title", {})
    if not title.get("text"):
        return []
    size = title.get("font", {}).get("size", 12)
    room = abs(axis.end - axis.start) + 40
    return [_text(x, y, [_fitted(html.unescape(title["text"]), size, room)], "middle", size, turned=turned)]


def _stroke(line: dict[str, Any]) -> str:
    dash = _DASHES.get(line.get("dash", "solid"))
    return (f' stroke="{line.get("color", "#222")}" stroke-width="{line.get("width", 2):g}"'
            + (f' stroke-dasharray="{dash}"' if dash else ""))


def _opacity(entry: dict[str, Any]) -> str:
    return f' opacity="{entry["opacity"]:g}"' if entry.get("opacity", 1) != 1 else ""


def _markers(marker: dict[str, Any], points: list[tuple[int, float, float]], name: str, opacity: str) -> str:
    """Marks at points: for each kind one mark, and one path that carries it from point to point."""
    kinds: dict[tuple[str, float], list[str]] = {}
    for k, x, y in points:
        symbol, strength = (v[k] if isinstance(v := marker.get(n, d), list) else v
                            for n, d in (("symbol", "circle"), ("opacity", 1.0)))
        kinds.setdefault((symbol, strength), []).append(f"{_n(x)} {_n(y)}")
    out = []
    for (symbol, strength), places in kinds.items():
        kind = f"{name}-{len(out)}"
        out.append(f'<marker id="{kind}" markerUnits="userSpaceOnUse" overflow="visible">'
                   f'{_mark(symbol, marker, strength)}</marker>'
                   f'<path d="M{" ".join(places)}" fill="none" style="marker:url(#{kind})"{opacity}/>')
    return "".join(out)


def _mark(symbol: str, marker: dict[str, Any], strength: float) -> str:
    """One mark about the origin."""
    plain = symbol.removesuffix("-open")
    r = marker.get("size", 6) / 2
    line = marker.get("line", {})
    colour = marker.get("color", "#222")
    thin = plain in ("x-thin", "line-ew", "line-ns")
    fill = "none" if symbol.endswith("-open") or thin else colour
    edge = colour if symbol.endswith("-open") and "color" not in line else line.get("color", colour)
    width = line.get("width", 1.2 if symbol.endswith("-open") else 0)
    path = _outline(plain, r)
    return (f'<path d="{path}" fill="{fill}" stroke="{edge}" stroke-width="{width:g}"'
            + (f' opacity="{strength:g}"' if strength != 1 else "") + "/>")


def _outline(symbol: str, r: float) -> str:
    if symbol == "circle":
        return f"M{_n(-r)} 0a{_n(r)} {_n(r)} 0 1 0 {_n(2 * r)} 0a{_n(r)} {_n(r)} 0 1 0 {_n(-2 * r)} 0Z"
    lines = {"x-thin": ((-r, -r), (r, r), None, (-r, r), (r, -r)), "line-ew": ((-1.4 * r, 0), (1.4 * r, 0)),
             "line-ns": ((0, -1.4 * r), (0, 1.4 * r))}
    if symbol in lines:
        return "".join("M" if p is None else f"{'' if k and lines[symbol][k - 1] is None else 'L' if k else 'M'}"
                       f"{_n(p[0])} {_n(p[1])}" for k, p in enumerate(lines[symbol]))
    return "M" + " ".join(f"{_n(x)} {_n(y)}" for x, y in _corners(symbol, r)) + "Z"


def _corners(symbol: str, r: float) -> list[tuple[float, float]]:
    """Corners of a filled mark."""
    a, b = 0.4 * r, 1.3 * r
    fixed = {
        "square": [(-r, -r), (r, -r), (r, r), (-r, r)], "diamond": [(0, -b), (b, 0), (0, b), (-b, 0)],
        "triangle-up": [(0, -r), (r, r), (-r, r)], "triangle-down": [(0, r), (r, -r), (-r, -r)],
        "bowtie": [(-r, -r), (0, 0), (r, -r), (r, r), (0, 0), (-r, r)],
        "cross": [(-a, -r), (a, -r), (a, -a), (r, -a), (r, a), (a, a), (a, r), (-a, r), (-a, a), (-r, a), (-r, -a),
                  (-a, -a)]}
    fixed["x"] = [((x - y) / math.sqrt(2), (x + y) / math.sqrt(2)) for x, y in fixed["cross"]]
    if symbol in fixed:
        return fixed[symbol]
    count, inner = {"pentagon": (5, 1.0), "hexagon": (6, 1.0), "star": (5, 0.45)}[symbol]
    turns = 2 * count if inner < 1 else count
    return [(b * (inner if inner < 1 and k % 2 else 1) * math.sin(2 * math.pi * k / turns),
             -b * (inner if inner < 1 and k % 2 else 1) * math.cos(2 * math.pi * k / turns)) for k in range(turns)]
