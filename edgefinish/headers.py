"""The columns of a trial log: their names, and what a shop's own header means."""

from __future__ import annotations

import re
import unicodedata
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from itertools import islice

from .errors import nearest
from .findings import Findings, blank
from .job import BURR_SEVERITIES
from .units import QUANTITIES, find_unit, units_of_kind

REQUIRED = ("run", "material", "thickness_mm", "feed_speed_m_min", "drum_pressure_kPa", "grit", "abrasive_sheet",
            "contact_hours", "edge_position", "edge_radius_mm")
OPTIONAL = ("passes", "cut_process", "burr_severity", "burr_height_mm", "residual_burr_mm", "removal_um",
            "date", "operator", "note")
CANONICAL = REQUIRED + OPTIONAL
MEASURED = ("edge_radius_mm", "burr_height_mm", "residual_burr_mm", "removal_um")
SEARCHED = 20  # first rows among which the header may stand, and
MOST_SEARCHED = 500  # the first of their cells that are looked at
LONGEST_HEADER = 200
LISTED_HEADERS = 30  # of a log's own columns that are named in one message
DAY_FIRST, MONTH_FIRST = "day first", "month first"  # as a header says it: date [dd/mm/yyyy]
TEXT = tuple(c for c in CANONICAL if c not in QUANTITIES and c != "date")
# Plain words of a floor for how a plate's burr was graded; `burr` alone may as well be a height, before or after.
_GRADED = re.compile(r"burr (?:class|grade|category|level|rating|severity|type|condition)(?: before(?: the run)?)?"
                     r"|(?:class|grade|category|level|rating|severity|type|condition) of (?:the )?burr|burr")


def plain(text: str) -> str:
    """A header without case, with single spaces for every space, hyphen, underscore and point.

    >>> plain("Feed-Speed_m_min ")
    'feed speed m min'
    """
    return re.sub(r"[\s_\-.]+", " ", unicodedata.normalize("NFKC", text).casefold().replace("μ", "µ")).strip()


_LABELS = {plain(QUANTITIES[c].label) if c in QUANTITIES else plain(c): c for c in CANONICAL}


@dataclass(frozen=True)
class Meaning:
    """What a header means: the column's name, its unit where the header gives one, and what in it could not be read.

    `extra` is a remark in brackets that is no unit; `clash` a second unit that contradicts the first.
    """

    name: str
    unit: str | None = None
    extra: str | None = None
    clash: str | None = None


@lru_cache(maxsize=4096)
def meaning_of(header: str) -> Meaning | None:
    """What a header means, or None where it is not one of the log's own columns.

    >>> meaning_of("Feed speed [ft/min]")
    Meaning(name='feed_speed_m_min', unit='ft/min', extra=None, clash=None)
    >>> meaning_of("removal um").unit, meaning_of("hall temperature")
    ('µm', None)
    """
    if len(header) > LONGEST_HEADER:
        return None
    text = " ".join(header.split())
    aside: str | None = None
    if match := re.fullmatch(r"(.*?)[\s/,]*[\[(]([^\[\]()]*)[\])]", text) or re.fullmatch(r"(.*?),([^,]*)", text):
        text, aside = match.group(1), match.group(2).strip()
    bare = plain(text)
    if bare in _LABELS and _LABELS[bare] not in QUANTITIES:
        return Meaning(_LABELS[bare], extra=aside)
    for label, name in _LABELS.items():
        if name not in QUANTITIES or not (bare == label or bare.startswith((label + " ", label + "/"))):
            continue
        kind = QUANTITIES[name].kind
        rest = re.sub(r"^in (?=\S)", "", bare[len(label):].strip(" /"))
        unit = find_unit(rest, kind) if rest else None
        if rest and unit is None:
            return None
        inner = find_unit(aside, kind) if aside else None
        if aside and inner is None:
            return Meaning(name, unit, extra=aside)
        if unit and inner and unit != inner:
            return Meaning(name, unit, clash=inner)
        return Meaning(name, unit or inner)
    return None


@dataclass(frozen=True)
class Use:
    """What a column of the log is used as. `index` is its place in the file; None where `constant` holds for every row.

    `unit` is None where neither header nor units row says it: then each cell has to. That of dates is their order.
    """

    name: str
    header: str
    index: int | None
    unit: str | None
    constant: object = None


def recognised(cells: Sequence[object], columns: Mapping[str, object] | None) -> int:
    """How many of the log's columns a row of cells would name, if it were the header."""
    mapped = {plain(str(k)) for k in columns or ()}
    words = [c for c in cells[:MOST_SEARCHED] if isinstance(c, str) and c.strip() and len(c) <= LONGEST_HEADER]
    return len({m.name if (m := meaning_of(c)) else plain(c) for c in words if meaning_of(c) or plain(c) in mapped})


def empty(row: Sequence[object]) -> bool:
    """Whether nothing stands in a row."""
    return all(c is None or blank(c) for c in row)


def header_at(grid: Sequence[Sequence[object]], columns: Mapping[str, object] | None) -> int | None:
    """Which of the first rows with something in them names most of the log's columns; None where there is nothing."""
    first = list(islice((i for i, r in enumerate(grid) if not empty(r)), SEARCHED))
    return max(first, key=lambda i: (recognised(grid[i], columns), -i), default=None)


def is_units_row(cells: Sequence[object], header: Sequence[str]) -> bool:
    """Whether the row under the header is a row of units: no number in it, and units under half of its quantities."""
    words = [str(c).strip().strip("[]()").strip() if isinstance(c, str) else c for c in cells]
    if any(not isinstance(w, str) or re.search(r"\d", w.replace("mm2", "").replace("in2", "")) for w in words):
        return False
    kinds = {k for q in QUANTITIES.values() if (k := q.kind) != "count"}
    units = sum(any(find_unit(w, k) for k in kinds) for w in words if isinstance(w, str) and w)
    filled = sum(bool(w) and w not in ("-", "–") for w in words)
    return units >= 2 and 2 * units >= filled


def assign(header: Sequence[str], units_row: Sequence[object] | None, columns: Mapping[str, object] | None,
           cells: Callable[[int], Iterable[object]], found: Findings) -> tuple[tuple[Use, ...], tuple[int, ...]]:
    """What each column is used as, and the places of the columns that are only kept; `cells` of one, each once.

    Faults (missing, twice, contradictory, unknown names in `columns`) go to `found`, as does what is not used.
    """
    meanings: dict[int, Meaning] = {i: m for i, h in enumerate(header) if (m := meaning_of(h))}
    before = len(found.problems)
    constants = _apply_map(header, columns or {}, meanings, found)
    graded = [i for i, h in enumerate(header) if i not in meanings and _grades_burr(h, cells(i))]
    if len(graded) == 1 and "burr_severity" not in {*(m.name for m in meanings.values()), *(u.name for u in constants)}:
        meanings[graded[0]] = Meaning("burr_severity")
    spoken_for = {m.name for p in found.problems[before:] if (m := meaning_of(str(p.column)))}
    firm = {m.name for m in meanings.values() if m.extra is None} | {u.name for u in constants}
    told = [i for i, m in meanings.items() if m.extra is not None and m.name in firm]
    for i in told:
        found.tell(found.header_row, header[i], "told", f"kept but not used: another column is {meanings[i].name}")
        del meanings[i]
    uses = list(constants)
    for i, meaning in meanings.items():
        uses.append(Use(meaning.name, header[i], i, _unit(header[i], meaning, units_row[i] if units_row else None,
                                                          found)))
    for name in {u.name for u in uses}:
        same = [u.header for u in uses if u.name == name]
        if len(same) > 1:
            found.fault(found.header_row, name, " and ".join(same), f"one column that means {name}",
                        "rename or remove the other")
    kept = tuple(i for i in range(len(header)) if i not in meanings)
    near = _missing([header[i] for i in kept], {u.name for u in uses} | spoken_for, found)
    unused = [header[i] for i in kept if i not in told and header[i] not in near]
    if unused:
        found.tell(found.header_row, None, "told", f"kept but not used: {_some(unused)}")
    for twin in sorted(h for h, n in Counter(header[i] for i in kept).items() if n > 1):
        found.fault(found.header_row, twin, f"{twin} twice", "different column names", "rename or remove one")
    first = {u.name: u for u in reversed(uses)}
    return tuple(sorted(first.values(), key=lambda u: CANONICAL.index(u.name))), kept


def _grades_burr(header: str, cells: Iterable[object]) -> bool:
    """Whether a column grades the burr of plates: by its header, and every word in it one that is known."""
    if len(header) > LONGEST_HEADER or plain(header) == "burr" or not _GRADED.fullmatch(plain(header)):
        return False
    words = {plain(str(c)) for c in cells}
    return bool(words) and words <= set(BURR_SEVERITIES)


def _some(names: Sequence[str]) -> str:
    return f"{', '.join(names[:LISTED_HEADERS])}{' and others' * (len(names) > LISTED_HEADERS)}"


def _unit(header: str, meaning: Meaning, below: object, found: Findings) -> str | None:
    """The unit of a column from its header and the units row, for dates their order; None where neither says it."""
    if meaning.name == "date" and re.fullmatch(r"d+[-/. ]m+[-/. ]y+|m+[-/. ]d+[-/. ]y+", (meaning.extra or "").lower()):
        return DAY_FIRST if meaning.extra and meaning.extra.lower().startswith("d") else MONTH_FIRST
    if meaning.name not in QUANTITIES:
        return None
    quantity = QUANTITIES[meaning.name]
    choice = ", ".join(units_of_kind(quantity.kind))
    wanted = f"a unit: {choice}" if choice else "no unit"
    if meaning.extra is not None:
        found.fault(found.header_row, header, meaning.extra, wanted,
                    f"write it as '{quantity.label}{f' [{quantity.metric}]' if choice else ''}'")
    clash, unit = meaning.clash, meaning.unit
    word = str(below or "").strip().strip("[]()").strip()
    if word and word not in ("-", "–"):
        from_row = find_unit(word, quantity.kind)
        if from_row is None and meaning.extra is None:
            found.fault(found.header_row + 1, header, word, wanted, "correct the units row")
        elif None not in (unit, from_row) and from_row != unit:
            clash = from_row
        unit = unit or from_row
    if clash:
        found.fault(found.header_row, header, f"{unit} and {clash}", "one unit", "keep the one that the numbers are in")
    if unit is None and quantity.kind in ("time", "count"):
        return quantity.metric
    return unit


def fitting(header: Sequence[str], columns: Mapping[str, object]) -> dict[str, object]:
    """What of `columns`, written for one log, is for another's header too: names that stand in it, and constants for
    what it does not have.

    >>> fitting(["Belt", "grit"], {"Belt": "feed speed [ft/min]", "Burr": "burr_severity", "grit": "P80", "passes": 1})
    {'Belt': 'feed speed [ft/min]', 'passes': 1}
    """
    places = {plain(h) for h in header}
    meant = {m.name for h in header if (m := meaning_of(h))}
    kept = {}
    for key, value in columns.items():
        own, other = meaning_of(str(key)), meaning_of(value) if isinstance(value, str) else None
        if (other is not None and plain(str(key)) in places) or (
                other is None and own is not None and own.name not in meant):
            kept[key] = value
    return kept


def shared_out(headers: Sequence[Sequence[str]], columns: Mapping[str, object],
               others: Callable[[], Iterable[Sequence[str]]]) -> list[dict[str, object]]:
    """What of `columns` is for each of the headers of several logs; what is for none of them, nor for any of `others`,
    is for all, so that it is refused. `others` are asked for only where that hangs on them.

    >>> shared_out([["Plate"], ["run"]], {"Plate": "run"}, list)
    [{'Plate': 'run'}, {}]
    >>> shared_out([["run"]], {"Plate": "run", "Grade": "material"}, lambda: [["Plate"]])
    [{'Grade': 'material'}]
    """
    own = [fitting(header, columns) for header in headers]
    left = {key for key in columns if not any(key in each for each in own)}
    if left:
        left -= {key for header in others() for key in fitting(header, columns)}
    return [{key: value for key, value in columns.items() if key in each or key in left} for each in own]


def _apply_map(header: Sequence[str], columns: Mapping[str, object], meanings: dict[int, Meaning],
               found: Findings) -> list[Use]:
    """Put the shop's own names into `meanings`; the constants come back."""
    places = {plain(h): i for i, h in enumerate(header)}
    constants: list[Use] = []
    for key, value in columns.items():
        place, own = places.get(plain(str(key))), meaning_of(str(key))
        target = meaning_of(value) if isinstance(value, str) else None
        if place is not None and target is not None:
            if target.name in QUANTITIES and (unit := _unit_at_end(str(key), QUANTITIES[target.name].kind)):
                if target.unit not in (None, unit):
                    found.fault(None, str(key), f"{unit} in the header and {target.unit} in 'columns'", "one unit",
                                "write the one that the numbers are in, in both")
                target = Meaning(target.name, target.unit or unit, target.extra, target.clash)
            meanings[place] = target
        elif place is not None:
            hint = nearest(str(value), CANONICAL)
            found.fault(None, str(key), value, "the name of one of the log's columns, with its unit",
                        hint or "a constant is for a column that the log does not have")
        elif own is None:
            hint = nearest(str(key), [h for h in header[:MOST_SEARCHED] if h.strip()])
            found.fault(None, str(key), "no such column", "a column of the log, or a name for a constant",
                        hint or f"the log has {', '.join(header[:LISTED_HEADERS])}"
                        f"{' and others' if len(header) > LISTED_HEADERS else ''}")
        elif isinstance(value, str) and plain(value) in places:
            found.fault(None, str(key), value, "the log's own column first", f"turn it round: {value!r}: {key!r}")
        elif isinstance(value, (str, int, float)) and not isinstance(value, bool) and str(value).strip():
            unit = _unit(str(key), own, None, found)
            constants.append(Use(own.name, str(key), None, unit, value))
        else:
            found.fault(None, str(key), value, "a number or a word that holds for every row")
    return constants


def _unit_at_end(header: str, kind: str) -> str | None:
    """The unit in the brackets that end a shop's own header; None where there is none of this kind.

    >>> _unit_at_end("Radius [in]", "length"), _unit_at_end("Radius (gauge 2)", "length")
    ('in', None)
    """
    ending = re.search(r"[\[(]([^\[\]()]*)[\])]\s*$", header)
    return find_unit(ending.group(1), kind) if ending else None


def _missing(others: Sequence[str], present: set[str], found: Findings) -> set[str]:
    """Faults for required columns that are not there; a word about others that look like an optional one: which."""
    bare = {plain(o): o for o in others[:MOST_SEARCHED] if o.strip() and len(o) <= LONGEST_HEADER}
    unused, told = list(bare.values()), set()
    rest = f"; not used so far: {_some(unused)}"
    said = not unused
    for name in CANONICAL:
        if name in present:
            continue
        label = next(k for k, v in _LABELS.items() if v == name)
        required = name in REQUIRED
        near = [w for form in (plain(name), label)
                for w in get_close_matches(form, list(bare), n=1, cutoff=0.6 if required else 0.85)]
        if name == "burr_severity":
            near += [w for w in bare if _GRADED.fullmatch(w)]
        if required:
            remedy = (f"did you mean {bare[near[0]]}? rename it, or name it in 'columns'" if near
                      else f"add it, or name the shop's own column or a constant in 'columns'{'' if said else rest}")
            said = said or not near
            found.fault(found.header_row, name, "no such column", f"the column {name}", remedy)
        elif near:
            header = bare[near[0]]
            told.add(header)
            which = (f"{name}, burr_height_mm or residual_burr_mm? Rename it, or name it in 'columns'"
                     if near[0] == "burr" else f"{name}?")
            found.tell(found.header_row, header, "told", f"kept but not used; did you mean {which}")
    return told
