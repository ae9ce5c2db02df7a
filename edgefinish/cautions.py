"""The cautions that every setup sheet carries, and to whom they defer.

The exposure limits for hexavalent chromium are those of 29 CFR 1910.1026; the rest is usual practice of the trade.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Caution:
    """One caution: what it is about, in a word or two, and what to do."""

    about: str
    text: str


DEFER = ("The line maker's manual, site rules, local codes and law, and the judgement of licensed or qualified people "
         "come before what stands here.")

CAUTIONS = (
    Caution("Lock off", "Lock off and fit guards before touching sheet, drum or brush. In-running nip at drum and "
                        "conveyor."),
    Caution("Surface speed", "Never above the marked maximum of drum, sheet or brush, whichever is lowest. Work it out "
                             "again when a diameter changes."),
    Caution("Sheet", "Fully seated and tensioned, right way round. Not torn, not soaked, not past its contact hours."),
    Caution("Sparks and dust", "Spark trap and a dust collector rated for metal dust, cleaned out daily. Never "
                               "aluminium or titanium dust in the same collector. No compressed-air blow-down."),
    Caution("If stainless: chromium", "Exposure to hexavalent chromium assessed (29 CFR 1910.1026: 5 µg/m³ over 8 h, "
                                      "action level 2.5 µg/m³; local limits may be lower). Extraction proven."),
    Caution("If stainless: clean", "Own brushes and sheets; conveyor, drum and collector cleaned of carbon-steel dust. "
                                   "Note the last material run."),
    Caution("Parts", "Keep to the part size and hold-down limits of the line. One part first. Stand clear of the "
                     "outfeed."),
    Caution("People", "Eye and hearing protection, gloves by site rule. Parts are hot, and sharp until measured."),
    Caution("Speeds", "They rest on statistics: valid only for the material, thickness, grit, burr and sheet age "
                      "tried. Measure the first-off before release."),
)
