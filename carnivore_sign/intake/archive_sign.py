"""Archive sign: occurrences of an archive as sign, whoever wrote it.

An occurrence that was found, by somebody and not by a camera, is a sign where it says which kind
of sign it is. Both vocabularies of occurrenceStatus are read. What a sign has no column for is
kept in its notes, under its term.
"""

from __future__ import annotations

import re
from typing import Final

import numpy as np
import pandas as pd
import pyproj

from carnivore_sign.intake.archive_rows import (
    Sorted,
    leave,
    sort_mapped,
    widened,
    with_source,
    written_rows,
)
from carnivore_sign.intake.clocks import times_from_text
from carnivore_sign.intake.star_archive import ID, ROW
from carnivore_sign.intake.tables import KIND_NAMES
from carnivore_sign.records.darwin_core import (
    COMPUTED,
    MEASURES,
    SIGN_TERMS,
    STATUS_WORDS,
)
from carnivore_sign.records.tables import SIGN
from carnivore_sign.records.vocabularies import TAXON_NAMES
from carnivore_sign.space import STORED_CRS

#: Terms that are read, or say nothing that a sign would want to keep.
_UNDERSTOOD: Final = {
    *SIGN_TERMS.values(), ID, ROW, "properties", "used", "dwc:occurrenceID", "dwc:eventID",
    "dwc:occurrenceStatus", "dwc:basisOfRecord", "dwc:decimalLatitude", "dwc:decimalLongitude",
    "dwc:geodeticDatum", "dwc:eventTime", "dwc:dynamicProperties",
}  # fmt: skip
_WGS84: Final = ("", "wgs84", "wgs 84", "epsg:4326", "unknown", "not recorded")
#: Kinds of record that somebody made who read sign.
_SEEN: Final = ("", "humanobservation", "observation", "occurrence")
#: Terms in which others say what kind of sign it was.
_KIND_TERMS: Final = (
    "dwc:preparations", "dwc:occurrenceRemarks", "dwc:behavior", "dwc:verbatimLabel",
    "dwc:dynamicProperties", "dwc:fieldNotes", "dwc:eventRemarks", "dwc:samplingProtocol",
)  # fmt: skip
#: Words of a record that somebody made who met the animal, and not its sign.
_MET: Final = {"seen", "saw", "sighting", "sighted", "alive", "roadkill", "trapped", "captured"}
_NOT_FOUND: Final = (
    "looked for and not found: no sign; the season computes non-detections from GPS logs"
)
_NO_STATUS: Final = (
    "occurrenceStatus is of neither vocabulary (detected, notDetected; present, absent)"
)
_WORD: Final = re.compile(r"[a-z]+")


def sign_of_occurrences(
    rows: pd.DataFrame, facts: pd.DataFrame, found: Sorted, *, time_zone: str | None
) -> None:
    """Read occurrences as sign, set them aside, or pass over those that are computed.

    Parameters
    ----------
    rows : DataFrame
        The occurrences, with what their events say.
    facts : DataFrame
        The measurements; those that are read are marked as used.
    found : Sorted
        What takes the rows.
    time_zone : str, optional
        Zone of times that carry none.
    """
    if rows.empty:
        return
    computed = rows["properties"].map(lambda said: COMPUTED in said)
    found.passed("non-detections", int(computed.sum()))
    rows = rows.loc[~computed]
    status = _text(rows, "dwc:occurrenceStatus").str.strip().str.lower()
    there = status.map(STATUS_WORDS).mask(status.eq(""), True)
    basis = _text(rows, "dwc:basisOfRecord").str.replace(" ", "").str.lower()
    reason = pd.Series("", index=rows.index, dtype="object")
    reason[~basis.isin(_SEEN)] = "not a record of sign (basisOfRecord: " + basis + ")"
    reason[there.eq(False)] = _NOT_FOUND
    reason[there.isna()] = _NO_STATUS
    out = rows.loc[reason.ne("")]
    if len(out):
        leave(found, "sign", out[ROW].tolist(), reason[out.index].tolist(), written_rows(out))
    _keep(rows.loc[reason.eq("")].reset_index(drop=True), facts, found, time_zone)


def _text(rows: pd.DataFrame, term: str) -> pd.Series:
    return rows[term] if term in rows else pd.Series("", index=rows.index, dtype="object")


def _keep(rows: pd.DataFrame, facts: pd.DataFrame, found: Sorted, time_zone: str | None) -> None:
    if rows.empty:
        return
    ours = rows["properties"].map(lambda said: "receipt" in said)
    name = _text(rows, "dwc:occurrenceID")
    name = name.where(name.ne(""), rows[ID])
    measured, told = _measured(facts, name, found)
    times, time_faults = _times(rows, found, time_zone)
    places, place_faults = _places(rows, ours)
    number = _text(rows, "dwc:recordNumber")
    words = pd.DataFrame(
        {
            "sign": number.where(number.ne(""), name),
            "time": times,
            "observer": _text(rows, "dwc:recordedBy"),
            "kind": _kinds(rows, measured, found),
            "named_as": _named(rows, ours),
            **{column: measured[column] for column in measured if column != "kind"},
            "notes": _notes(rows, ours, told),
            "geometry": places,
        },
        dtype="object",
    )
    others = set(SIGN.names) - set(words) - {"receipt", "source_row"}
    for column in others:
        words[column] = rows["properties"].map(lambda said, c=column: str(said.get(c, "")))
    faults = pd.concat([time_faults, place_faults], ignore_index=True)
    sort_mapped(
        with_source(words, rows, found), SIGN, rows, written_rows(rows), found, faults=faults
    )


def _measured(
    facts: pd.DataFrame, names: pd.Series, found: Sorted
) -> tuple[pd.DataFrame, pd.Series]:
    """Return the measured columns of sign, and in words what else was measured of it."""
    blank = pd.Series("", index=names.index, dtype="object")
    if facts.empty or "dwc:measurementType" not in facts:
        return pd.DataFrame(index=names.index), blank
    by = "dwc:occurrenceID" if "dwc:occurrenceID" in facts else ID
    types = {measure.type: column for column, measure in MEASURES["sign"].items()}
    own = facts.loc[facts[by].isin(names) & ~facts["used"]]
    column = own["dwc:measurementType"].map(types)
    first = ~pd.DataFrame({"of": own[by], "column": column}).duplicated() & column.notna()
    wide = own.loc[first]
    table = widened(wide, by, column[first])
    computed = own["properties"].map(lambda said: COMPUTED in said or "sign" in said)
    hanging = _text(own, "dwc:parentMeasurementID").str.startswith("print:")
    rest = own.loc[column.isna() & ~computed & ~hanging]
    phrase = rest["dwc:measurementType"] + ": " + _text(rest, "dwc:measurementValue")
    phrase = (phrase + " " + _text(rest, "dwc:measurementUnit")).str.strip()
    told = phrase.groupby(rest[by]).agg("; ".join)
    facts.loc[[*wide.index, *rest.index], "used"] = True
    found.joined += len(wide) + len(rest)
    return (
        table.reindex(names).set_axis(names.index).astype("object").fillna(""),
        names.map(told).astype("object").fillna(""),
    )


def _times(
    rows: pd.DataFrame, found: Sorted, time_zone: str | None
) -> tuple[list[str], pd.DataFrame]:
    """Read when each was found: an interval counts from its beginning."""
    text = _text(rows, "dwc:eventDate").str.strip()
    clock = _text(rows, "dwc:eventTime").str.strip()
    spans = text.str.contains("/", regex=False)
    if spans.any():
        found.notes.append(f"{int(spans.sum())} sign are dated by an interval; its start was taken")
    start = text.str.partition("/")[0]
    start = start.where(start.str.contains("T") | clock.eq(""), start + "T" + clock)
    times, faults, notes = times_from_text(start, time_zone=time_zone)
    found.notes += list(notes)
    told = "eventDate: " + faults.astype(str) + " (came: " + text[faults.index] + ")"
    written = times.dt.strftime("%Y-%m-%dT%H:%M:%S.%f").str[:-3] + "Z"
    return (
        written.astype("object").fillna("").tolist(),
        pd.DataFrame({"row": faults.index, "reason": told.to_numpy(dtype=object)}),
    )


def _places(rows: pd.DataFrame, ours: pd.Series) -> tuple[list[str], pd.DataFrame]:
    """Return positions on WGS84 as well-known text; that of a waypoint is left to the waypoint."""
    lat, lon = (_text(rows, f"dwc:decimal{name}") for name in ("Latitude", "Longitude"))
    lent = ours & _text(rows, "dwc:georeferenceSources").ne("")
    known = lat.ne("") & lon.ne("") & ~lent
    words = pd.Series("", index=rows.index, dtype="object")
    words[known] = "POINT (" + lon[known] + " " + lat[known] + ")"
    datum = _text(rows, "dwc:geodeticDatum").str.strip()
    odd = known & ~datum.str.lower().isin(_WGS84)
    wrong: list[tuple[int, str]] = []
    for one, some in rows.loc[odd].groupby(datum[odd]):
        moved = _on_wgs84(lon[some.index], lat[some.index], str(one))
        if moved is None:
            told = f"geodeticDatum: no such datum is known (came: {one})"
            wrong += [(row, told) for row in some.index]
        else:
            words[some.index] = moved
    return words.tolist(), pd.DataFrame(wrong, columns=["row", "reason"], dtype="object")


def _on_wgs84(lon: pd.Series, lat: pd.Series, datum: str) -> list[str] | None:
    try:
        turn = pyproj.Transformer.from_crs(datum, STORED_CRS, always_xy=True)
    except pyproj.exceptions.CRSError:
        return None
    x, y = turn.transform(*(pd.to_numeric(v, errors="coerce").to_numpy() for v in (lon, lat)))
    return [f"POINT ({a!r} {b!r})" for a, b in zip(x.tolist(), y.tolist(), strict=True)]


def _kinds(rows: pd.DataFrame, measured: pd.DataFrame, found: Sorted) -> pd.Series:
    """Return the kind of each sign: as measured, or the first kind that its words name."""
    said = measured["kind"] if "kind" in measured else pd.Series("", index=rows.index)
    bare = said.eq("")
    if not bare.any():
        return said
    words = sum((_text(rows, term) + " " for term in _KIND_TERMS), pd.Series("", rows.index))
    guessed = words[bare].map(_kind_in)
    if guessed.ne("").any():
        count = int(guessed.ne("").sum())
        found.notes.append(f"the kind of {count} sign was taken from the words of their records")
    return said.mask(bare, guessed.reindex(rows.index))


def _kind_in(text: str) -> str:
    """Return the first kind of sign that a text names; none if the animal itself was met."""
    words = _WORD.findall(text.lower())
    if _MET & set(words):
        return ""
    return next((KIND_NAMES[word] for word in words if word in KIND_NAMES), "")


def _named(rows: pd.DataFrame, ours: pd.Series) -> pd.Series:
    """Return the taxon that the observer named; other species are *something else*."""
    verbatim = _text(rows, "dwc:verbatimIdentification")
    names = [verbatim, _text(rows, "dwc:scientificName"), _text(rows, "dwc:vernacularName")]
    found = pd.Series("", index=rows.index, dtype="object")
    for name in names:
        plain = name.str.strip().str.lower()
        found = found.where(found.ne(""), plain.map(TAXON_NAMES).astype("object").fillna(""))
    rank = _text(rows, "dwc:taxonRank").str.lower()
    species = _text(rows, "dwc:scientificName").str.strip().str.count(" ").ge(1)
    species &= rank.isin(["species", "subspecies", ""])
    found = found.where(found.ne("") | ~species, "other")
    own = verbatim.str.strip()
    return found.where(~ours, own)


def _notes(rows: pd.DataFrame, ours: pd.Series, told: pd.Series) -> pd.Series:
    """Return the notes of each sign, with what it says under terms that have no column."""
    notes = _text(rows, "dwc:occurrenceRemarks")
    extra = [name for name in rows if name not in _UNDERSTOOD]
    added = told.where(~ours, "")
    for term in extra:
        said = np.where(rows[term].ne("") & ~ours, f"{term}: " + rows[term].astype(str), "")
        between = np.where((added != "") & (said != ""), "; ", "")
        added = added + between + said
    between = np.where((notes != "") & (added != ""), "; ", "")
    return notes + between + added
