"""Identification room: prints that were traced, joined to those that were noted.

A print of the notebook and its outlines have one name, that of the sign and the number in it.
What was noted by eye is never changed; what was measured stands beside it, and fills what was
left blank. A print that was traced and not noted becomes a print of its own.
"""

from __future__ import annotations

import warnings

import geopandas as gpd
import pandas as pd
import shapely

from carnivore_sign.errors import DataWarning
from carnivore_sign.identify.characters_from import add_measured
from carnivore_sign.identify.measure import measure_print

_SHOWN = 3
_OF_A_PRINT = ("receipt", "source_row", "sign", "print_no")


def join_traced(prints: pd.DataFrame, outlines: pd.DataFrame) -> pd.DataFrame:
    """Measure traced prints, and put what was measured beside what was noted.

    Parameters
    ----------
    prints : DataFrame
        Columns of PRINTS.
    outlines : DataFrame
        Columns of OUTLINES.

    Returns
    -------
    DataFrame
        `prints`, with a row for each print that was only traced, and the columns that
        `add_measured` adds; `prints` itself where there are no outlines.

    Warns
    -----
    DataWarning
        If something is wrong with the marks of a print.

    Examples
    --------
    >>> prints = pd.DataFrame({"sign": ["S1"], "print_no": [1], "pad_width_mm": [float("nan")]})
    >>> pad = "POLYGON ((-20 -15, 20 -15, 12 15, -12 15, -20 -15))"
    >>> traced = {"sign": "S1", "print_no": [1, 2], "part": "pad", "outline_mm": pad, "foot": None,
    ...           "scale_error_fraction": 0.002}
    >>> joined = join_traced(prints, pd.DataFrame(traced))
    >>> joined[["sign", "print_no", "pad_width_mm"]].round(1).values.tolist()
    [['S1', 1, 40.0], ['S1', 2, 40.0]]
    """
    if outlines.empty:
        return prints
    name = _names(outlines)
    marks = gpd.GeoDataFrame(
        outlines[["part", "foot"]].assign(print=name),
        geometry=shapely.from_wkt(outlines["outline_mm"].to_numpy(dtype=object)),
        crs=None,
    )
    of_scale = outlines["scale_error_fraction"].astype(float).fillna(0.0).groupby(name).max()
    measured = measure_print(marks, scale_error_fraction=of_scale)
    _tell_notes(measured["notes"])
    return add_measured(_with_all(prints, outlines, name), measured).reset_index(drop=True)


def _names(rows: pd.DataFrame) -> pd.Series:
    return rows["sign"].astype("object").astype(str) + "/" + rows["print_no"].astype(str)


def _with_all(prints: pd.DataFrame, outlines: pd.DataFrame, name: pd.Series) -> pd.DataFrame:
    """Return the prints by name, those that were only traced at the end, with the foot stated."""
    named = prints.set_index(_names(prints)).rename_axis(None)
    stated = outlines["foot"].groupby(name).first()
    first = outlines.assign(name=name).drop_duplicates("name").set_index("name").rename_axis(None)
    alone = first.loc[~first.index.isin(named.index)]
    shared = [column for column in prints.columns if column in _OF_A_PRINT]
    joined = pd.concat([named, alone[shared].astype(prints[shared].dtypes)])
    if "foot" in joined:
        joined["foot"] = joined["foot"].where(
            joined["foot"].notna(), stated.reindex(joined.index).astype(joined["foot"].dtype)
        )
    return joined


def _tell_notes(notes: pd.Series) -> None:
    """Warn of what is wrong with the marks of some prints."""
    told = notes[notes.astype(str).ne("")]
    if not len(told):
        return
    shown = [f"print {name}: {note}" for name, note in told.head(_SHOWN).items()]
    more = f"; and {len(told) - _SHOWN} more" if len(told) > _SHOWN else ""
    warnings.warn(
        f"Of {len(notes)} traced prints {len(told)} have marks to look at. "
        f"{'; '.join(shown)}{more}",
        DataWarning,
        stacklevel=3,
    )
