"""The text of a study file as a tree that keeps its lines; what explodes, nests or is no text is refused unread."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from pathlib import Path

import yaml

from .errors import Problem, StudyError
from .wording import listed

# A study file is a page of text; what is far beyond is no study, and would keep the reader busy for hours.
MOST_BYTES, MOST_DEEP = 1_000_000, 40


@dataclass(frozen=True)
class StudyProblem(Problem):
    """One fault of a study file: `row` is the line in the file, `column` the key.

    >>> print(StudyProblem(4, "units", "metrik", "metric or imperial", "did you mean metric?"))
    line 4, units: found 'metrik', wanted metric or imperial; did you mean metric?
    """

    def __str__(self) -> str:
        place = ", ".join(p for p in (f"line {self.row}" if self.row is not None else "", self.column or "") if p)
        text = f"found {self.found!r}, wanted {self.wanted}"
        return f"{place + ': ' if place else ''}{text}{'; ' + self.remedy if self.remedy else ''}"


_IN_PLAIN_WORDS = {
    "expected <block end>": "an indent or a sign that does not go with the lines above",
    "mapping values are not allowed": "a colon where none can stand",
    "could not find expected ':'": "a line without a colon and a space after its key",
    "expected ',' or": "a list or brackets that do not end",
    "while scanning a quoted": "quotes that do not end", "found unexpected end of stream": "quotes that do not end"}


def tree_of(path: Path, raw: bytes) -> yaml.MappingNode:
    """The file as a tree of YAML nodes, which keep their lines; `StudyError` where it is none."""

    def refuse(line: int | None, found: str, wanted: str, remedy: str) -> StudyError:
        return StudyError(StudyProblem(line, None, found, wanted, remedy), path.name)

    if len(raw) > MOST_BYTES:
        raise refuse(None, f"{len(raw)} bytes", f"a study file of at most {MOST_BYTES} bytes", "name the log in `log:`")
    try:
        text = raw.decode("utf-8-sig")
        if _brackets_deep(text) > MOST_DEEP:
            raise refuse(None, "brackets nested very deep", "a study file", "check for brackets left open")
        events = list(yaml.parse(text, yaml.SafeLoader))
        aliases = [e for e in events if isinstance(e, yaml.AliasEvent)]
        if aliases:
            raise refuse(aliases[0].start_mark.line + 1, f"*{aliases[0].anchor}", "values written out",
                         "repeat them where they are used; references are not read")
        if _entries_deep(events) > MOST_DEEP:
            raise refuse(None, "entries nested very deep", "a study file", "check the indents")
        node = yaml.compose(text, yaml.SafeLoader)
    except UnicodeDecodeError:
        raise refuse(None, "bytes that are no UTF-8", "a text file in UTF-8", "save it again as UTF-8") from None
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        line, problem = mark.line + 1 if mark else None, str(error.problem or error.context)
        if "'\\t'" in problem:
            raise refuse(line, "a tab", "YAML, which has none",
                         "indent with spaces, as many for each entry of one list") from None
        plain = next((words for start, words in _IN_PLAIN_WORDS.items() if problem.startswith(start)), problem)
        raise refuse(line, plain, "YAML",
                     "check colons, brackets, quotes and indents on this line and the one above") from None
    except yaml.YAMLError as error:
        raise refuse(None, str(error).splitlines()[0], "YAML", "remove control characters") from None
    if not isinstance(node, yaml.MappingNode):
        raise refuse(None, "no keys", "a study file: keys with values, one a line", "start with 'study: a-name'")
    return node


def _entries_deep(events: list[yaml.Event]) -> int:
    """How deep entries are nested at most.

    >>> _entries_deep(list(yaml.parse("- - a")))
    2
    """
    step = {yaml.MappingStartEvent: 1, yaml.SequenceStartEvent: 1, yaml.MappingEndEvent: -1, yaml.SequenceEndEvent: -1}
    return max(accumulate((step.get(type(event), 0) for event in events), initial=0))


def _brackets_deep(text: str) -> int:
    """How deep brackets are nested at most.

    >>> _brackets_deep("[a, [b], {c}]")
    2
    """
    depth = deepest = 0
    for mark in re.findall(r"[][{}]", text):
        depth = depth + 1 if mark in "[{" else max(depth - 1, 0)
        deepest = max(deepest, depth)
    return deepest


def jobs_named(numbers: Sequence[int]) -> str:
    """Jobs by their rising numbers, neighbours together.

    >>> jobs_named([2]), jobs_named([1, 2, 3, 5]), jobs_named([1, 2])
    ('job 2', 'jobs 1 to 3 and 5', 'jobs 1 and 2')
    """
    given = set(numbers)
    starts = [n for n in numbers if n - 1 not in given]
    ends = [n for n in numbers if n + 1 not in given]
    said = [part for a, b in zip(starts, ends, strict=True)
            for part in ([str(a)] if a == b else [str(a), str(b)] if a + 1 == b else [f"{a} to {b}"])]
    return f"{'job' if len(numbers) == 1 else 'jobs'} {listed(said)}"
