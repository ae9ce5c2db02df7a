"""How far a run has come and how long it will still take, as one bar on a terminal."""

from __future__ import annotations

import threading
from types import TracebackType
from typing import Self

from tqdm import tqdm

REFRESH_S = 1.0
BAR = "{desc} {percentage:3.0f} % |{bar}| {elapsed} gone, about {remaining} left"


class Progress:
    """A bar over steps of unlike weight; nothing is shown where `shown` is false or the output is no terminal.

    The bar keeps moving while one long step runs, and is wiped away at the end. Steps may end in any thread.
    """

    def __init__(self, total: float, shown: bool) -> None:
        # Of the whole run, not of the last step: steps differ too much from each other.
        self._bar: tqdm = tqdm(total=total, disable=None if shown else True, bar_format=BAR, smoothing=0, leave=False,
                               desc="starting")
        self._ended = threading.Event()
        self._ticker = threading.Thread(target=self._tick, daemon=True, name="progress")

    def __enter__(self) -> Self:
        if not self._bar.disable:
            self._ticker.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self._ended.set()
        if self._ticker.is_alive():
            self._ticker.join()
        self._bar.close()

    def doing(self, what: str) -> None:
        """Say in a few words what is being done."""
        self._bar.set_description_str(what)

    def done(self, weight: float = 1.0) -> None:
        """One step further."""
        self._bar.update(weight)

    def _tick(self) -> None:
        while not self._ended.wait(REFRESH_S):
            self._bar.refresh()
