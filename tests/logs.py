"""Small invented trial logs for the tests of the reader."""

import pandas as pd

from edgefinish.errors import LogError
from edgefinish.triallog import read_log

POSITIONS = ("leading", "trailing", "lateral", "cutout")


def clean(runs: int = 4) -> pd.DataFrame:
    """A log without a fault, all cells as text: four edges a run, two sheets in turn; row 0 stands in row 2."""
    rows = []
    for run in range(runs):
        for place, position in enumerate(POSITIONS):
            rows.append({
                "run": f"{run + 1:03}", "material": "S355", "thickness_mm": "12",
                "feed_speed_m_min": f"{1.5 + run % 16 / 4}", "drum_pressure_kPa": "60", "grit": "P80",
                "abrasive_sheet": f"A{run % 2}", "contact_hours": f"{run}.5",
                "edge_position": position, "edge_radius_mm": f"{0.3 + place / 100:.2f}", "passes": "1",
            })
    return pd.DataFrame(rows)


def with_cells(frame: pd.DataFrame, column: str, cells: dict[int, object]) -> pd.DataFrame:
    """The log with cells of a column changed, by spreadsheet row."""
    frame = frame.astype(object)
    for row, cell in cells.items():
        frame.loc[row - 2, column] = cell
    return frame


def faults(source: object, **options: object) -> list:
    """The faults for which a log is refused; [] where it is read."""
    try:
        read_log(source, **options)
    except LogError as error:
        return list(error.problems)
    return []
