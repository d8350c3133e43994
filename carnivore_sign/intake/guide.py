"""Guide: what the columns of a notebook table are called, and what may stand in them.

Put together from the definitions themselves, so that the guide cannot say what the readers do not
do.
"""

from __future__ import annotations

from typing import Final

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.intake.columns import TABLE_COLUMNS
from carnivore_sign.records.tables import SEASON_TABLES

#: Notebook columns that are called otherwise in the record, or are put together there.
_IN_RECORD: Final = {
    "age_min": "age_min_h",
    "age_max": "age_max_h",
    "direction": "direction_deg",
    "stride": "stride_m",
    "print": "print_no",
    "length": "length_mm",
    "width": "width_mm",
    "pad_width": "pad_width_mm",
    "canine_spacing": "canine_spacing_mm",
    "distance": "distance_m",
    "keeps_tracks": "keeps_tracks_days",
}
_WRITTEN_AS: Final = {
    "date": "2026-02-14, 14 Feb 2026 or 14.02.2026; with it, time is the local time of day",
    "time": "07:40, 0740 or 7:40 pm beside a date, or one moment: 2026-02-14T07:40-08:00",
    "lat": "latitude in degrees, in any usual spelling; or name a waypoint instead",
    "lon": "longitude in degrees, in any usual spelling",
    "position": "the whole place in one cell: degrees, UTM with zone, or MGRS",
    "utm_zone": "UTM zone and north or south (or its band), beside easting and northing",
    "utm_band": "letter of the band, if it stands in a column of its own",
    "hemisphere": "N or S, if it stands in a column of its own beside the UTM zone",
    "easting": "UTM easting in metres",
    "northing": "UTM northing in metres",
    "datum": "datum of the place, WGS84 if there is none",
    "confidence": "80 %, or 0.8",
    "age_min": "2 h, 1 d; a bare number is hours",
    "age_max": "2 h, 1 d; a bare number is hours",
    "direction": "degrees from true north, or a compass point (NNE)",
    "stride": "36 in, 3' 1\", 92 cm, 0.92 m",
    "length": "82 mm, 8,2 cm, 3 1/4 in; or the unit in the name: length_mm",
    "width": "as length",
    "pad_width": "as length",
    "canine_spacing": "as length",
    "distance": "4.2 km, 2.6 mi; or the unit in the name: distance_km",
    "keeps_tracks": "12 h, 2 d; a bare number is days",
    "start": "as time",
    "end": "as time",
    "foot": "left front, LF",
    "last_seen_well": "local date and time",
    "found": "local date and time",
}


def column_guide(table: str) -> pd.DataFrame:
    """List the columns of a notebook table.

    Parameters
    ----------
    table : str
        ``sign``, ``prints``, ``clearings`` or ``incidents``.

    Returns
    -------
    DataFrame
        ``column``; ``needed`` (yes or empty); ``what`` it is; ``written`` how; ``words`` that it
        may hold; ``also`` known as.

    Raises
    ------
    InputError
        If there is no such notebook table.

    Examples
    --------
    >>> guide = column_guide("clearings").set_index("column")
    >>> guide.loc["cause", "words"]
    'rain, snow, wind, drag, traffic'
    """
    if table not in TABLE_COLUMNS:
        raise InputError(
            f"there is no notebook table '{table}'", remedy=f"There are {', '.join(TABLE_COLUMNS)}."
        )
    columns = TABLE_COLUMNS[table]
    record = {column.name: column for column in SEASON_TABLES[table].columns}
    rows = []
    for name, others in columns.names.items():
        kept = record.get(_IN_RECORD.get(name, name))
        rows.append(
            {
                "column": name,
                "needed": "yes" if name in columns.required else "",
                "what": "" if kept is None else kept.meaning,
                "written": _WRITTEN_AS.get(name, ""),
                "words": "" if kept is None else ", ".join(kept.words),
                "also": ", ".join(others),
            }
        )
    return pd.DataFrame(rows)
