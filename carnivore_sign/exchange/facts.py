"""Facts: measurements of sign, footprints, trails, visits and transects, each with its unit.

Rows of MeasurementOrFact. Those that belong to a sign name its occurrence; a footprint is a row
of its own, on which its measurements hang by parentMeasurementID.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import pandas as pd

from carnivore_sign.exchange.content import Content
from carnivore_sign.exchange.events import season_id
from carnivore_sign.exchange.properties import properties_of
from carnivore_sign.exchange.star import ID
from carnivore_sign.records.darwin_core import (
    COMPUTED,
    MEASURES,
    PRINT,
    PROBABILITY_TYPES,
    Measure,
)
from carnivore_sign.records.plain_text import number_words, words_of
from carnivore_sign.records.tables import PRINTS, SIGN, TRAILS, TRANSECTS, VISITS, taxon_column

_POOLED: Final = "likelihood ratios of all sign of the trail, pooled, with the season's prior"
_COMPUTED: Final = properties_of({COMPUTED: True})


def fact_rows(
    frame: pd.DataFrame,
    measures: Mapping[str, Measure],
    *,
    ids: pd.Series,
    of: pd.Series,
    words: Mapping[str, list[str]] | None = None,
) -> pd.DataFrame:
    """Return a row for each column of each row of a frame that holds anything.

    Parameters
    ----------
    frame : DataFrame
        What was measured.
    measures : mapping of str to Measure
        Which of its columns, and what each is called.
    ids : Series of str
        Row of the core that each belongs to.
    of : Series of str
        What is measured: the beginning of measurementID.
    words : mapping of str to list of str, optional
        Columns written out already; numbers are written with all their digits.
    """
    parts = []
    for column, measure in measures.items():
        values = (words or {}).get(column) or _written(frame[column])
        parts.append(
            pd.DataFrame(
                {
                    ID: ids.to_numpy(dtype=object),
                    "dwc:measurementID": (of.astype("object") + "/" + column).to_numpy(),
                    "dwc:measurementType": measure.type,
                    "dwc:measurementValue": values,
                    "dwc:measurementUnit": measure.unit,
                }
            )
        )
    rows = pd.concat(parts, ignore_index=True)
    return rows.loc[rows["dwc:measurementValue"].ne("")].reset_index(drop=True)


def _written(values: pd.Series) -> list[str]:
    if pd.api.types.is_float_dtype(values.dtype):
        return number_words(values)
    missing = values.isna().tolist()
    return ["" if gone else str(v) for v, gone in zip(values.tolist(), missing, strict=True)]


def all_facts(content: Content, occurrences: pd.DataFrame) -> pd.DataFrame:
    """Return every measurement of an archive for managers.

    Parameters
    ----------
    content : Content
        What is exported.
    occurrences : DataFrame
        The rows of sign: ``sign``, `ID`, ``dwc:occurrenceID``, ``trail``.
    """
    return pd.concat(
        [
            _transect_facts(content),
            _visit_facts(content),
            _sign_facts(content, occurrences),
            _print_facts(content, occurrences),
            _trail_facts(content, occurrences),
        ],
        ignore_index=True,
    )


def _columns(frame: pd.DataFrame, table: str) -> dict[str, list[str]]:
    """Write the measured columns of a table out."""
    schema = {t.name: t for t in (SIGN, PRINTS, TRANSECTS, VISITS, TRAILS)}[table]
    return {name: words_of(frame[name], schema[name]) for name in MEASURES[table]}


def _transect_facts(content: Content) -> pd.DataFrame:
    frame = content.tables["transects"]
    ids = "transect:" + frame["transect"].astype("object")
    words = _columns(frame, "transects")
    return fact_rows(frame, MEASURES["transects"], ids=ids, of=ids, words=words)


def _visit_facts(content: Content) -> pd.DataFrame:
    frame = content.visits
    ids = "visit:" + frame["visit"].astype("object")
    rows = fact_rows(frame, MEASURES["visits"], ids=ids, of=ids, words=_columns(frame, "visits"))
    return rows.assign(**{"dwc:dynamicProperties": _COMPUTED})


def _sign_facts(content: Content, occurrences: pd.DataFrame) -> pd.DataFrame:
    frame = content.tables["sign"]
    of = frame["sign"].astype("object")
    ids = of.map(occurrences.set_index("sign")[ID])
    rows = fact_rows(
        frame, MEASURES["sign"], ids=ids, of="sign:" + of, words=_columns(frame, "sign")
    )
    return _of_occurrence(rows)


def _of_occurrence(rows: pd.DataFrame) -> pd.DataFrame:
    """Name the occurrence that each row measures: what its measurementID begins with."""
    return rows.assign(
        **{"dwc:occurrenceID": rows["dwc:measurementID"].str.rsplit("/", n=1).str[0]}
    )


def _print_facts(content: Content, occurrences: pd.DataFrame) -> pd.DataFrame:
    frame = content.tables["prints"]
    sign = frame["sign"].astype("object")
    ids = sign.map(occurrences.set_index("sign")[ID]).astype("object").fillna(season_id())
    number = frame["print_no"].astype("Int64").astype("object").astype(str)
    of = "print:" + sign + "#" + number
    known = np.where(sign.isin(occurrences["sign"]), "sign:" + sign, "")
    named = ["receipt", "source_row", "sign", "print_no"]
    parents = pd.DataFrame(
        {
            ID: ids,
            "dwc:measurementID": of,
            "dwc:measurementType": PRINT,
            "dwc:measurementValue": number,
            "dwc:occurrenceID": known,
            "dwc:dynamicProperties": [
                properties_of(row) for row in frame[named].astype("object").to_dict("records")
            ],
        }
    )
    rows = fact_rows(frame, MEASURES["prints"], ids=ids, of=of, words=_columns(frame, "prints"))
    rows["dwc:parentMeasurementID"] = rows["dwc:measurementID"].str.rsplit("/", n=1).str[0]
    rows["dwc:occurrenceID"] = rows["dwc:parentMeasurementID"].map(
        pd.Series(known, index=of).groupby(level=0).first()
    )
    return pd.concat([parents, rows], ignore_index=True)


def _trail_facts(content: Content, occurrences: pd.DataFrame) -> pd.DataFrame:
    """Return the probabilities of each trail at each of its sign, and its size at the first."""
    trails = pd.DataFrame(content.trails.drop(columns="geometry"))
    members = occurrences.loc[occurrences["trail"].ne("")]
    joined = members[["sign", ID, "trail"]].merge(trails, on="trail", how="inner")
    if joined.empty:
        return pd.DataFrame()
    of = "sign:" + joined["sign"].astype("object")
    shares = {taxon_column(taxon): Measure(told) for taxon, told in PROBABILITY_TYPES.items()}
    told = fact_rows(joined, shares, ids=joined[ID], of=of)
    told = _of_occurrence(told).assign(**{"dwc:measurementMethod": _POOLED})
    first = joined.drop_duplicates("trail")
    sizes = fact_rows(
        first,
        MEASURES["trails"],
        ids=first[ID],
        of="trail:" + first["trail"].astype("object"),
        words=_columns(first, "trails"),
    )
    sizes["dwc:occurrenceID"] = sizes["dwc:measurementID"].map(
        _first_sign(first, list(MEASURES["trails"]))
    )
    rows = pd.concat([told, sizes], ignore_index=True)
    return rows.assign(**{"dwc:dynamicProperties": _COMPUTED})


def _first_sign(first: pd.DataFrame, columns: list[str]) -> dict[str, str]:
    """Return the occurrence that each measurement of a trail stands at."""
    return {
        f"trail:{row.trail}/{column}": f"sign:{row.sign}"
        for row in first.itertuples()
        for column in columns
    }
