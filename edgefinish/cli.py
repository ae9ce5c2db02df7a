"""The command line: verbs, thin."""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
from collections.abc import Sequence
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

from .errors import EdgeFinishError, Problem, StudyError
from .terminal import coloured, in_columns, paint, room, wrapped

if TYPE_CHECKING:
    from .results import Results

DEMO_FOLDER = "edgefinish-demo"
INTERRUPTED = 130
MOST_WORKERS = 4
VERDICT_COLOURS = {"no window": "red", "not enough evidence": "yellow"}
MOST_DIFFERENCES = 20


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb; returns the exit code: 0 done, 1 bad input or numbers differ, 2 wrong usage, 130 interrupted."""
    # A grammar for a format that notebooks do not use is built when this is imported: most of a second a run.
    sys.modules.setdefault("rfc3987_syntax", None)  # type: ignore[arg-type]
    options = parser().parse_args(argv)
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    ends = [signal.SIGTERM, *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else [])]
    before = {number: signal.signal(number, _terminate) for number in ends}
    try:
        return int(options.verb(options))
    except EdgeFinishError as error:
        _complain(error, options.json)
        return 1
    except KeyboardInterrupt:
        print("edgefinish: interrupted; nothing was left half-written", file=sys.stderr)
        return INTERRUPTED
    except BrokenPipeError:
        sys.stderr.close()
        return 1
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def parser() -> argparse.ArgumentParser:
    """Verbs and their options."""
    top = argparse.ArgumentParser(
        prog="edgefinish", description="Speed windows for drum-and-brush edge finishing lines, from a trial log.",
        epilog="Exit codes: 0 done, 1 the input does not allow it (the message says what to mend) or numbers "
               "differ, 2 wrong usage, 130 interrupted.")
    top.add_argument("--version", action="version", version=f"edgefinish {version('edgefinish')}")
    common = argparse.ArgumentParser(add_help=False)
    common.add_argument("--quiet", action="store_true", help="print only what is wrong")
    common.add_argument("--json", action="store_true", help="print the result as JSON")
    runs = argparse.ArgumentParser(add_help=False)
    runs.add_argument("--out", metavar="DIR", type=Path, help="folder for the results")
    workers: dict[str, Any] = {
        "metavar": "N", "type": _workers, "default": min(MOST_WORKERS, os.cpu_count() or 1),
        "help": f"notebooks run at a time; without it one a core, {MOST_WORKERS} at most"}
    runs.add_argument("--workers", **workers)
    verbs = top.add_subparsers(required=True, metavar="VERB")

    def verb(name: str, does: str, example: str, *parents: argparse.ArgumentParser) -> argparse.ArgumentParser:
        return verbs.add_parser(name, parents=[*parents, common], help=does, epilog=f"Example: {example}",
                                description=f"{does[0].upper()}{does[1:]}.")

    demo = verb("demo", "run the shipped study, whose data are invented, from end to end", "edgefinish demo", runs)
    demo.set_defaults(verb=_demo)
    run = verb("run", "run a study: log, fit, windows, report, setup sheets", "edgefinish run study.yaml --workers 2",
               runs)
    run.add_argument("study", metavar="STUDY.yaml", type=Path)
    run.set_defaults(verb=_run)
    planned = verb("plan", "plan the trial for a study: which plates, on which sheets, in which order, with a form",
                   "edgefinish plan study.yaml --out trial")
    planned.add_argument("study", metavar="STUDY.yaml", type=Path)
    planned.add_argument("--out", metavar="DIR", type=Path, help="folder for the plan; else named after the study")
    planned.add_argument("--quick", action="store_true",
                         help="leave out what the trial is expected to settle: some minutes of simulation")
    planned.add_argument("--workers", metavar="N", type=_workers, default=min(MOST_WORKERS, os.cpu_count() or 1),
                         help=f"trials simulated at a time; without it one a core, {MOST_WORKERS} at most")
    planned.set_defaults(verb=_plan)
    check = verb("check", "read a trial log and print what is wrong or was converted", "edgefinish check trials.csv")
    check.add_argument("log", metavar="LOG", help="a file, a database URL, or a study file with its own column names")
    check.add_argument("--sheet", action="append", help="name of the sheet in a spreadsheet; again for another one")
    check.add_argument("--table", help="name of the table in a database")
    check.set_defaults(verb=_check)
    again = verb("reproduce", "run a finished study again from what it kept and compare every number",
                 "edgefinish reproduce north-yard-2026 --check sheet.pdf")
    again.add_argument("folder", metavar="DIR", type=Path, help="folder that a run left")
    again.add_argument("--check", metavar="SHEET", type=Path,
                       help="instead: is this setup sheet (HTML or PDF) of this study, unaltered, and does it stand")
    again.add_argument("--workers", **workers)
    again.set_defaults(verb=_reproduce)
    return top


def _workers(text: str) -> int:
    number = int(text)
    if number < 1:
        raise argparse.ArgumentTypeError("a whole number from 1 is wanted")
    return number


def _demo(options: argparse.Namespace) -> int:
    from .study import demo_folder

    return _run_into(demo_folder("demo") / "study.yaml", options.out or Path(DEMO_FOLDER), options)


def _run(options: argparse.Namespace) -> int:
    return _run_into(options.study, options.out, options)


def _run_into(study: Path, out: Path | None, options: argparse.Namespace) -> int:
    from .runner import finish_study

    results, folder = finish_study(study, out, options.workers, progress=not (options.quiet or options.json))
    if options.json:
        left = json.loads((folder / "windows.json").read_text(encoding="utf-8"))
        print(json.dumps({"folder": str(folder), **left}, ensure_ascii=False, indent=1))
    elif not options.quiet:
        _say_windows(results, folder)
    return 0


def _plan(options: argparse.Namespace) -> int:
    from .expected import expect
    from .planfolder import check_folder, expected_table, write_plan
    from .planner import plan_study
    from .study import read_study

    study = read_study(options.study)
    folder = options.out or study.path.parent / f"{study.name}-plan"
    check_folder(folder)
    planned = plan_study(study)
    expected = None if options.quick else expect(planned, workers=options.workers,
                                                 progress=not (options.quiet or options.json))
    folder = write_plan(planned, expected, folder, study.sha256)
    if options.json:
        left = json.loads((folder / "plan.json").read_text(encoding="utf-8"))
        print(json.dumps({"folder": str(folder), **left}, ensure_ascii=False, indent=1))
    elif not options.quiet:
        print(*planned.told, sep="\n")
        if expected is not None:
            table = expected_table(expected).astype(str)
            print("", *expected.said, "", sep="\n")
            print("\n".join(in_columns([list(table.columns), *table.to_numpy().tolist()])))
        print(f"\nPlan in {folder}\n  plan.html  start here\n  form.xlsx  fill it in at the line; it is the trial log"
              "\n  form.html  the same to print\n  plan.csv   the plates in the order of running")
    return 0


def _say_windows(results: Results, folder: Path) -> None:
    """The windows as a table, why there is none where there is none, what was taken for granted, where things lie."""
    from .forms import windows_table
    from .wording import answer

    columns, colour = room(sys.stdout), coloured(sys.stdout)
    table = windows_table(results.study, results.windows)[["job", "window", "set point", "settings"]]
    head, *lines = in_columns([list(table.columns), *table.to_numpy().tolist()], columns)
    for line, window in zip([head, *lines], [None, *results.windows], strict=True):
        verdict = window.verdict if window else head
        hue = VERDICT_COLOURS.get(verdict, "bold" if window is None else "")
        print(line.replace(verdict, paint(verdict, hue)) if colour and hue else line)
    for window in (w for w in results.windows if w.verdict != "window"):
        print("\n" + wrapped(f"{answer(window, results.study.units)} {' '.join(window.reasons)}", columns))
    print()
    for note in results.study.told:
        print(wrapped(f"note: {note}", columns))
    one_each = "one page a window" if any(w.verdict == "window" for w in results.windows) else "none: no window"
    print(f"\nResults in {folder}\n  report.html     start here\n  windows.csv     one row a job\n"
          f"  setup-sheets    {one_each}\n  notebooks       as executed, open in JupyterLab")


def _check(options: argparse.Namespace) -> int:
    from .study import read_study
    from .triallog import messages_of, read_log

    if options.log.lower().endswith((".yaml", ".yml")):
        if options.sheet or options.table:
            raise StudyError(Problem(None, None, "--sheet or --table", "a study that names them itself",
                                     "write `sheet:` or `table:` in the study file"))
        study = read_study(options.log)
        log, earlier = study.read_log(), study.read_history()
    else:
        log, earlier = read_log(options.log, sheet=options.sheet, table=options.table), ()
    told = messages_of(log, earlier)
    if options.json:
        said = [{"row": m.row, "column": m.column, "kind": m.kind, "text": m.text}
                | ({"file": m.file} if m.file else {}) for m in told]
        read = log.rows[log.measured]
        print(json.dumps({"edges": len(read), "plates": int(read["run"].nunique()), "messages": said},
                         ensure_ascii=False, indent=1))
    elif not options.quiet:
        from .forms import earlier_said, log_said, messages_said

        for message in told:
            print(message)
        print(log_said(log))
        for past in earlier:
            print(earlier_said(past))
        print(messages_said(replace(log, messages=tuple(told))))
    return 0


def _reproduce(options: argparse.Namespace) -> int:
    if options.check is not None:
        return _check_sheet(options)
    from .reproduce import reproduce

    told = reproduce(options.folder, options.workers, progress=not (options.quiet or options.json))
    if options.json:
        print(json.dumps({
            "folder": str(told.folder), "holds": told.holds, "numbers": told.numbers, "last_figure": told.last_figure,
            "versions": [{"name": n, "then": then, "now": now} for n, then, now in told.versions],
            "differences": [vars(d) for d in told.differences]}, ensure_ascii=False, indent=1))
    elif not (options.quiet and told.holds):
        print(*told.sentences(), sep="\n", file=sys.stdout if told.holds else sys.stderr)
    return 0 if told.holds else 1


def _check_sheet(options: argparse.Namespace) -> int:
    from .sheetcheck import check_sheet

    told = check_sheet(options.folder, options.check)
    if options.json:
        print(json.dumps({"sheet": told.sheet, "stands": told.stands, "verdict": told.verdict,
                          "sentences": told.sentences, "differences": [vars(d) for d in told.differences]},
                         ensure_ascii=False, indent=1))
    elif not (options.quiet and told.stands):
        print(f"{told.sheet}: {told.verdict}", *told.sentences, *told.differences[:MOST_DIFFERENCES], sep="\n",
              file=sys.stdout if told.stands else sys.stderr)
    return 0 if told.stands else 1


def _complain(error: EdgeFinishError, as_json: bool) -> None:
    """The error for people, or for a program that asked for JSON."""
    if as_json:
        problems = [{"row": p.row, "column": p.column, "found": p.found, "wanted": p.wanted, "remedy": p.remedy}
                    for p in error.problems]
        print(json.dumps({"error": type(error).__name__, "subject": error.subject, "problems": problems},
                         ensure_ascii=False, indent=1))
    else:
        print(f"edgefinish: {_faults(error)}", file=sys.stderr)


def _faults(error: EdgeFinishError) -> str:
    """Every fault; one that many rows share in the same words is said once, at its first row."""
    alike: dict[object, list[Problem]] = {}
    for problem in error.problems:
        alike.setdefault((type(problem), replace(problem, row=None)), []).append(problem)
    if len(alike) == len(error.problems):
        return str(error)
    count = "at least {} rows" if any("more such rows" in str(p.found) for p in error.problems) else "{} rows in all"
    lines = [f"{some[0]}{f' ({count.format(len(some))})' if len(some) > 1 else ''}" for some in alike.values()]
    return "\n  ".join([f"{error.subject + ': ' if error.subject else ''}{len(error.problems)} faults", *lines])


def _terminate(signal_number: int, frame: FrameType | None) -> None:
    """Leave by the way that cleans up."""
    raise SystemExit(128 + signal_number)


if __name__ == "__main__":
    sys.exit(main())
