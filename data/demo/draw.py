"""Draws the picture of the README, `window.svg`, from the shipped study: run it where the code of pictures changed."""

from __future__ import annotations

import html
import re
from pathlib import Path

from edgefinish.figures import window_figure
from edgefinish.results import Results, open_study
from edgefinish.svg import WIDTH, svg

JOB = "S355, light burr, 12 mm"
HEAD, LINE = 58, 17
STYLE = ("<style>svg{font:12px system-ui,sans-serif;fill:#222;background:#fff}"
         ".halo{paint-order:stroke;stroke:#fff;stroke-width:3px;stroke-linejoin:round}</style>")


def picture(results: Results) -> str:
    """The window of one job with its question above it, as a file that stands by itself."""
    window = next(w for w in results.windows if w.job.title == JOB)
    fig = window_figure(results, window)
    meta = fig.layout.meta
    words = [f'<text x="8" y="16" font-size="12.5" font-weight="700">{html.escape(meta["question"])}</text>']
    words += [f'<text x="8" y="{16 + LINE * k}" font-size="11">{html.escape(line)}</text>'
              for k, line in enumerate(meta["lines"], 1)]
    body = svg(fig, "window")
    height = float(re.search(rf'viewBox="0 0 {WIDTH} ([\d.]+)"', body).group(1)) + HEAD
    body = body.replace("<svg ", f'<svg y="{HEAD}" width="{WIDTH}" height="{height - HEAD:g}" ', 1)
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height:g}" width="{WIDTH * 1.5:g}">'
            f'{STYLE}<rect width="100%" height="100%" fill="#fff"/>{"".join(words)}{body}</svg>\n')


if __name__ == "__main__":
    (Path(__file__).parent / "window.svg").write_text(picture(open_study()), encoding="utf-8", newline="")
