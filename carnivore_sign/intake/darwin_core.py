"""Darwin Core: an archive of events and occurrences, ours or anybody's, as tables of the record.

Events that are transects give transects, occurrences that were found give sign, measurements give
what was measured of sign and prints, media give photos. Extensions of our own row types give the
tables that the standard has no words for. What was computed (visits, non-detections,
probabilities) is counted and passed over: it is computed anew from the record. Every other row is
set aside with its reason, and terms that sign have no column for are kept in their notes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.intake.archive_rows import (
    Sorted,
    leave,
    own_rows,
    properties_in,
    sort_mapped,
    widened,
    with_source,
    written_rows,
)
from carnivore_sign.intake.archive_sign import sign_of_occurrences
from carnivore_sign.intake.reading import Reading, make_reading
from carnivore_sign.intake.source import Source
from carnivore_sign.intake.star_archive import ID, ROW, Star, StarTable, read_star
from carnivore_sign.records.darwin_core import (
    COMPUTED,
    EVENT,
    FACT,
    INVENTORY,
    MEASURES,
    MEDIA,
    OCCURRENCE,
    PHOTO_TERMS,
    PRINT,
    PROBABILITY_TYPES,
    TRANSECT_EVENT,
)
from carnivore_sign.records.tables import PHOTOS, PRINTS, SEASON_TABLES, TRANSECTS

#: Kind under which archives go in receipts.
ARCHIVE: Final = "darwin_core"
#: Terms that a row takes from its event, or the event above, where it says nothing itself.
_INHERITED: Final = (
    "dwc:eventDate", "dwc:eventTime", "dwc:decimalLatitude", "dwc:decimalLongitude",
    "dwc:geodeticDatum", "dwc:coordinateUncertaintyInMeters", "dwc:locality",
    "dwc:dataGeneralizations", "dwc:samplingProtocol", "dwc:recordedBy",
)  # fmt: skip
_MOST_NESTED: Final = 8
_NO_LINE: Final = (
    "an event without the line of a transect: the season computes effort from GPS logs, and has no "
    "table for it"
)
_LINE: Final = r"^\s*(?:MULTI)?LINESTRING"


def read_archive(source: Source, *, time_zone: str | None = None) -> Reading:
    """Read a Darwin Core Archive.

    Parameters
    ----------
    source : Source
        The file.
    time_zone : str, optional
        IANA name of the zone of times that carry none. Without it such rows are set aside.

    Returns
    -------
    Reading
        Tables ``transects``, ``sign``, ``prints``, ``photos`` and those that the archive has
        extensions of our own for. Rows that bring a receipt with them keep it.

    Raises
    ------
    FileUnreadable
        If the archive is damaged, or its core is missing.
    InputError
        If its core is neither events nor occurrences.
    """
    star = read_star(source)
    if star.core.row_type not in (EVENT, OCCURRENCE):
        raise InputError(
            f"the core of the archive is {star.core.row_type}, and not events or occurrences",
            file=source.path,
            remedy="Export it with events as its core.",
        )
    found = Sorted(source.receipt, list(star.notes))
    star = _with_ties(star, found)
    events, occurrences, facts = (_joined(star, kind) for kind in (EVENT, OCCURRENCE, FACT))
    _transects(events, facts, found)
    sign_of_occurrences(_with_events(occurrences, events), facts, found, time_zone=time_zone)
    _prints(facts, found)
    _photos(_joined(star, MEDIA), found)
    _pass_over(facts, "measurements", found)
    _pass_over(_joined(star, INVENTORY), "rows of effort (Humboldt Extension)", found)
    _own_tables(star, found)
    found.tell_the_rest()
    return make_reading(
        source,
        ARCHIVE,
        tables=found.tables,
        rows_in=found.rows_in,
        set_aside=found.aside,
        notes=found.notes,
    )


def _joined(star: Star, row_type: str) -> pd.DataFrame:
    """Return the rows of all files of a kind, with what their properties say."""
    parts = [one.cells for one in star.tables(row_type)]
    rows = (
        pd.concat(parts, ignore_index=True).astype("object").fillna("") if parts else pd.DataFrame()
    )
    for needed in (ID, ROW, "dwc:dynamicProperties"):
        if needed not in rows:
            rows[needed] = pd.Series("", index=rows.index, dtype="object")
    rows["properties"] = properties_in(rows["dwc:dynamicProperties"])
    rows["used"] = False
    return rows


def _with_ties(star: Star, found: Sorted) -> Star:
    """Set aside rows that break the ties of the star: ids twice, and ids that the core has not."""
    _leave_broken(star.core, found)
    ids = star.core.cells[ID]
    twice = ids.duplicated() & ids.ne("")
    core = _without(star.core, twice, "its id stands in the core already", found)
    extensions = tuple(_with_known_ids(one, ids, found) for one in star.extensions)
    return replace(star, core=core, extensions=extensions)


def _leave_broken(file: StarTable, found: Sorted) -> None:
    for number, reason, content in file.broken:
        leave(found, "sign", [number], [f"{file.file}: {reason}"], [content])


def _with_known_ids(file: StarTable, ids: pd.Series, found: Sorted) -> StarTable:
    """Set aside the rows of an extension that name no row of the core, or are none."""
    _leave_broken(file, found)
    strange = "it names a row that the core does not have"
    return _without(file, ~file.cells[ID].isin(ids), strange, found)


def _without(file: StarTable, wrong: pd.Series, reason: str, found: Sorted) -> StarTable:
    rows = file.cells.loc[wrong]
    if len(rows):
        told = [f"{file.file}: {reason} (came: {one})" for one in rows[ID]]
        leave(found, _table_of(file), rows[ROW].tolist(), told, written_rows(rows))
    return replace(file, cells=file.cells.loc[~wrong].reset_index(drop=True))


def _table_of(file: StarTable) -> str:
    """Return the table under which a row of a file is set aside."""
    own = file.row_type.removeprefix("own:")
    if own in SEASON_TABLES and file.row_type != own:
        return own if own not in ("receipts", "set_aside", "settled") else "sign"
    return {EVENT: "transects", INVENTORY: "transects", MEDIA: "photos"}.get(file.row_type, "sign")


def _with_events(rows: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """Fill what occurrences leave out from their event, and from the events above it."""
    if events.empty or rows.empty:
        return rows
    above = events.drop_duplicates(ID).set_index(ID)
    above = above.reindex(columns=[*_INHERITED, "dwc:parentEventID"], fill_value="")
    for _ in range(_MOST_NESTED):
        parents = (
            above.reindex(above["dwc:parentEventID"])
            .astype("object")
            .fillna("")
            .set_axis(above.index)
        )
        fresh = above.copy()
        for term in _INHERITED:
            fresh[term] = above[term].where(above[term].ne(""), parents[term])
        if fresh.equals(above):
            break
        above = fresh
    told = above.reindex(rows[ID]).astype("object").fillna("").set_axis(rows.index)
    filled = rows.copy()
    bare = rows["properties"].map(lambda said: "receipt" not in said)
    for term in _INHERITED:
        own = rows[term] if term in rows else pd.Series("", index=rows.index, dtype="object")
        filled[term] = own.where(own.ne("") | ~bare, told[term])
    return filled


def _transects(events: pd.DataFrame, facts: pd.DataFrame, found: Sorted) -> None:
    """Read transects from events with a line; set the others aside, or pass them over."""
    empty = pd.Series("", index=events.index, dtype="object")
    line = events.get("dwc:footprintWKT", empty).str.contains(_LINE, case=False, regex=True)
    kind = events.get("dwc:eventType", empty).str.strip().str.lower()
    computed = events["properties"].map(lambda said: COMPUTED in said).to_numpy(dtype=bool)
    chosen = line & (kind.eq(TRANSECT_EVENT.lower()) | kind.eq("")) & ~computed
    rows = events.loc[chosen].reset_index(drop=True)
    name = rows.get("dwc:locationID", pd.Series("", index=rows.index, dtype="object"))
    words = pd.DataFrame(
        {
            "transect": name.where(name.ne(""), rows[ID]),
            "geometry": rows.get("dwc:footprintWKT", ""),
        },
        dtype="object",
    )
    measured = _measured(facts, "transects", rows[ID], by=ID, found=found)
    words = pd.concat([words, measured], axis=1)
    sort_mapped(with_source(words, rows, found), TRANSECTS, rows, written_rows(rows), found)
    events.loc[chosen, "used"] = True
    passed = computed & ~chosen.to_numpy()
    found.passed("events", int(passed.sum()))
    rest = events.loc[~chosen & ~passed]
    if len(rest):
        leave(found, "transects", rest[ROW].tolist(), [_NO_LINE] * len(rest), written_rows(rest))


def _measured(
    facts: pd.DataFrame, table: str, of: pd.Series, *, by: str, found: Sorted
) -> pd.DataFrame:
    """Return the columns of a table that stand as measurements, for the rows that `of` names."""
    types = {measure.type: column for column, measure in MEASURES[table].items()}
    if facts.empty or by not in facts:
        return pd.DataFrame(index=of.index)
    own = facts["dwc:measurementType"].isin(types) & facts[by].isin(of) & ~facts["used"]
    if by == ID:
        own &= facts.get("dwc:occurrenceID", "") == ""
    rows = facts.loc[own]
    column = rows["dwc:measurementType"].map(types)
    first = ~pd.DataFrame({"of": rows[by], "column": column}).duplicated()
    told = widened(rows.loc[first], by, column[first])
    facts.loc[first.index[first], "used"] = True
    found.joined += int(first.sum())
    return told.reindex(of).set_axis(of.index).astype("object").fillna("")


def _prints(facts: pd.DataFrame, found: Sorted) -> None:
    """Read prints from the measurements that hang on one footprint."""
    if "dwc:measurementType" not in facts or "dwc:measurementID" not in facts:
        facts["dwc:measurementType"] = facts.get("dwc:measurementType", "")
        return
    chosen = facts["dwc:measurementType"].eq(PRINT) & facts["properties"].map(bool)
    rows = facts.loc[chosen].reset_index(drop=True)
    if rows.empty:
        return
    facts.loc[chosen, "used"] = True
    said = pd.DataFrame(
        {name: rows["properties"].map(lambda one, name=name: str(one.get(name, "")))
         for name in ("sign", "print_no")}
    )  # fmt: skip
    measured = _measured(
        facts, "prints", rows["dwc:measurementID"], by="dwc:parentMeasurementID", found=found
    )
    words = pd.concat([said, measured], axis=1)
    sort_mapped(with_source(words, rows, found), PRINTS, rows, written_rows(rows), found)


def _photos(media: pd.DataFrame, found: Sorted) -> None:
    """Read photos from media; one that is not described by us needs the picture itself."""
    if media.empty:
        return
    ours = media["properties"].map(lambda said: "receipt" in said)
    rows = media.loc[ours].reset_index(drop=True)
    known = {name: rows[term] for name, term in PHOTO_TERMS.items() if term in rows}
    rest = [name for name in PHOTOS.names if name not in PHOTO_TERMS]
    said = {
        name: rows["properties"].map(lambda one, name=name: str(one.get(name, ""))) for name in rest
    }
    words = pd.DataFrame({**known, **said}, dtype="object")
    words["geometry"] = points_of(rows)
    if len(rows):
        sort_mapped(with_source(words, rows, found), PHOTOS, rows, written_rows(rows), found)
    others = media.loc[~ours]
    if len(others):
        reason = "a photo is read from its own file: import the picture, not its description"
        leave(found, "photos", others[ROW].tolist(), [reason] * len(others), written_rows(others))


def points_of(rows: pd.DataFrame) -> list[str]:
    """Write the positions of rows as well-known text, blank where there is none."""
    if "dwc:decimalLatitude" not in rows or "dwc:decimalLongitude" not in rows:
        return [""] * len(rows)
    return [
        f"POINT ({lon} {lat})" if lon and lat else ""
        for lon, lat in zip(rows["dwc:decimalLongitude"], rows["dwc:decimalLatitude"], strict=True)
    ]


def _pass_over(rows: pd.DataFrame, what: str, found: Sorted) -> None:
    """Pass over what is computed from the record; set aside what others measured."""
    left = rows.loc[~rows["used"]]
    if left.empty:
        return
    kinds = left.get("dwc:measurementType", pd.Series("", index=left.index))
    computed = left["properties"].map(lambda said: COMPUTED in said).to_numpy(dtype=bool)
    computed = computed | kinds.isin(list(PROBABILITY_TYPES.values())).to_numpy(dtype=bool)
    computed = computed | left[ID].str.startswith(("visit:", "unit:")).to_numpy(dtype=bool)
    found.passed(what, int(computed.sum()))
    rest = left.loc[~computed]
    if len(rest):
        told = [f"{what}: the season has no column for this"] * len(rest)
        leave(found, "sign", rest[ROW].tolist(), told, written_rows(rest))


def _own_tables(star: Star, found: Sorted) -> None:
    """Read the extensions of our own row types, and set aside the rows of unknown ones."""
    ids = star.core.cells[ID]
    for read in star.own:
        file = _with_known_ids(read(found.notes), ids, found)
        name = file.row_type.removeprefix("own:")
        if name in SEASON_TABLES:
            own_rows(file, SEASON_TABLES[name], found)
        else:
            _leave_unknown(file, found)
    known = (EVENT, OCCURRENCE, FACT, INVENTORY, MEDIA)
    for file in star.extensions:
        if file.row_type not in known:
            _leave_unknown(file, found)


def _leave_unknown(file: StarTable, found: Sorted) -> None:
    rows = file.cells
    reason = f"{file.file}: rows of a kind that the season has no table for ({file.row_type})"
    found.notes.append(f"{len(rows)} {reason.partition(': ')[2]} were set aside")
    leave(found, "sign", rows[ROW].tolist(), [reason] * len(rows), written_rows(rows))
