"""Which paper the setup sheets are printed on, and which revision they are: the study's `setup_sheet:`."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from .errors import nearest
from .units import System

PAPERS = ("A4", "Letter")
REVISIONS = ("revision", "supersedes", "superseded_by")
ISSUE_KEYS = ("paper", *REVISIONS)
LONGEST_REVISION = 12


@dataclass(frozen=True, kw_only=True)
class SheetIssue:
    """How the setup sheets of a study are issued.

    `supersedes` is the revision that this one takes the place of. Where `superseded_by` is given, every sheet is
    stamped: it is kept to be looked up, not to be run.
    """

    paper: str
    revision: str | None = None
    supersedes: str | None = None
    superseded_by: str | None = None


def sheet_issue(given: Mapping[str, Any], units: System, fault: Callable[..., None]) -> SheetIssue:
    """The entries of `setup_sheet:`, checked; `fault(key, found, wanted, remedy)` is told of each that cannot be.

    Without `paper`, A4 where metric units are shown and Letter where imperial ones are.

    >>> sheet_issue({"revision": "B", "supersedes": "A"}, "imperial", print)
    SheetIssue(paper='Letter', revision='B', supersedes='A', superseded_by=None)
    >>> _ = sheet_issue({"paper": "leter"}, "metric", print)
    setup_sheet.paper leter A4 or Letter did you mean Letter?
    """
    usual = PAPERS[units == "imperial"]
    paper = given.get("paper") or usual
    known = {p.casefold(): p for p in PAPERS}
    if str(paper).casefold() not in known:
        near = nearest(str(paper).casefold(), tuple(known))
        fault("setup_sheet.paper", paper, "A4 or Letter", near.replace("letter", "Letter").replace("a4", "A4"))
    words = {key: given.get(key) for key in REVISIONS}
    for key, word in words.items():
        if word is not None and not (isinstance(word, str) and 0 < len(word.strip()) <= LONGEST_REVISION):
            fault(f"setup_sheet.{key}", word, f"a revision of at most {LONGEST_REVISION} characters", "such as B, or 2")
        elif word is not None and words["revision"] is None:
            fault(f"setup_sheet.{key}", word, "a `revision` beside it", "say which revision these sheets are")
        elif key != "revision" and word is not None and word == words["revision"]:
            fault(f"setup_sheet.{key}", word, "another revision than that of these sheets")
    kept = {key: word.strip() if isinstance(word, str) else None for key, word in words.items()}
    return SheetIssue(paper=known.get(str(paper).casefold(), usual), **kept)
