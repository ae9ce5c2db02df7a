"""The inputs kept inside a result: which files, where they lie, and a study file without passwords."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from .errors import Problem, RunError

INPUTS, STUDY, LIST = "inputs", "study.yaml", "kept.json"
SOURCES = ("log", "history")


def without_credentials(text: str, addresses: Iterable[str]) -> str:
    """The text of a study file with name, password and options out of its database addresses, in remarks as well.

    >>> address = "db://ann:s3@cret@host/yard?key=1"
    >>> without_credentials(f"log: {address}  # was db://ann:old@host", [address])
    'log: db://host/yard  # was db://host'
    """
    for address in sorted(addresses, key=len, reverse=True):
        text = text.replace(address, bare_address(address))
    text = re.sub(r"(\w://)[^\s\"']*@", r"\1", text)
    return re.sub(r"(?i)\b(password|passwd|pwd)=[^\s\"'&;,\]]+", r"\1=", text)


def bare_address(address: str) -> str:
    """A database address without name, password and options.

    >>> bare_address("sqlite:///yard.db?mode=ro")
    'sqlite:///yard.db'
    """
    return re.sub(r"(?s)://.*@", "://", address).partition("?")[0]


def read_list(inputs: Path) -> Mapping[str, Any]:
    """What was kept: for `log` and `history` a file or a list of files below the folder.

    Raises `RunError` where the list cannot be read, is damaged or names a file elsewhere.
    """
    try:
        listed = json.loads((inputs / LIST).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        listed = None
    if not isinstance(listed, dict) or set(listed) != set(SOURCES) or not all(map(_is_ours, names(listed))):
        raise RunError(Problem(None, None, f"{INPUTS}/{LIST}", "the list of inputs that a run left, as it left it",
                               "run the study again"))
    return listed


def names(listed: Mapping[str, Any]) -> Iterator[Any]:
    """Every file in the list, the logs first."""
    for kind in SOURCES:
        yield from listed[kind] if isinstance(listed[kind], list) else [listed[kind]]


def _is_ours(name: Any) -> bool:
    """Whether a name is that of one file in a folder of its own, and leads nowhere else."""
    return isinstance(name, str) and bool(re.fullmatch(r"(log|history)-\d+/[^/\\\0]+", name)) \
        and not name.endswith(("/.", "/.."))


def kept_files(inputs: Path) -> set[Path]:
    """The files that a run put into its folder of inputs; none where there is no list that can be read."""
    try:
        return {inputs / LIST, inputs / STUDY, *(inputs / n for n in names(read_list(inputs)))}
    except RunError:
        return set()


def kept_sources(study: Path) -> dict[str, Any]:
    """Where the logs of a kept study lie: fields of a `Study`; empty for a study file that stands anywhere else.

    Raises `RunError` where the list beside it is damaged.
    """
    inputs = study.parent
    if study.name != STUDY or not (inputs / LIST).is_file():
        return {}
    listed = read_list(inputs)
    log, history = listed["log"], listed["history"]
    return {"log_source": str(inputs / log) if isinstance(log, str) else tuple(str(inputs / n) for n in log),
            "history": tuple(str(inputs / n) for n in history), "table": None}
