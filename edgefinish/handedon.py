"""What a run has worked out, handed on to its own notebooks. The only room that makes objects from bytes.

The bytes lie, for the length of the run, in a folder that nobody else may write to; their digest goes to the notebooks
by their environment, and bytes of another digest are not looked at.
"""

from __future__ import annotations

import hashlib
import io
import os
import pickle
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

from .study import Study

HANDED_ON = "EDGEFINISH_HANDED_ON"
"""Environment variable of a run's notebooks: the digest of what is handed on, and the file it lies in."""


class Answered(Protocol):
    """A study with its answers."""

    @property
    def study(self) -> Study:
        """The study."""


class _Pickler(pickle.Pickler):
    def reducer_override(self, value: Any) -> Any:
        return (_read_only, (dict(value),)) if isinstance(value, MappingProxyType) else NotImplemented


def _read_only(value: dict[str, Any]) -> Mapping[str, Any]:
    return MappingProxyType(value)


def hand_on(results: Answered, path: Path) -> str:
    """Keep a study's answers, and all that was worked out for them; gives the value of `HANDED_ON`."""
    with io.BytesIO() as file:
        _Pickler(file, pickle.HIGHEST_PROTOCOL).dump(results)
        content = file.getvalue()
    path.write_bytes(content)
    return f"{hashlib.sha256(content).hexdigest()} {path}"


def handed_on(study: Study) -> Any:
    """What the run that this is a notebook of has handed on, if it is about this very study and unaltered; or None."""
    digest, _, path = os.environ.get(HANDED_ON, "").partition(" ")
    if not path or not os.path.isfile(path):
        return None
    content = Path(path).read_bytes()
    if hashlib.sha256(content).hexdigest() != digest:
        return None
    results: Answered = pickle.loads(content)
    same = (results.study.sha256, results.study.path.resolve()) == (study.sha256, study.path.resolve())
    return results if same else None
