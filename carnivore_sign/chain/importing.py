"""Chain: what an import did, told to people and to machines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import geopandas as gpd
import pandas as pd

from carnivore_sign.chain.outputs import rows_of
from carnivore_sign.intake import orphan_prints, tell_orphans
from carnivore_sign.records.season import Season
from carnivore_sign.records.vocabularies import CLOCK_SOURCES

_SHOWN = 10


@dataclass(frozen=True, eq=False)
class ImportSummary:
    """What an import read, kept and set aside.

    Attributes
    ----------
    season : Season
        The season it went to.
    receipts : DataFrame
        From `import_files`: one row per file and table.
    set_aside : DataFrame
        The rows of these files that were set aside, each with its reason, in the order of the
        files and their rows.
    orphans : str or None
        Which prints of the season belong to no sign that it has.
    places : GeoDataFrame or None
        From `place_season_photos`: where the photos without a position were taken.
    """

    season: Season
    receipts: pd.DataFrame
    set_aside: pd.DataFrame
    orphans: str | None = None
    places: gpd.GeoDataFrame | None = None

    @property
    def problems(self) -> list[str]:
        """Why files were refused or gave nothing, with their full paths."""
        return [str(problem) for problem in self.receipts["problem"].dropna().unique()]

    @property
    def all_refused(self) -> bool:
        """Whether no file at all was taken."""
        return bool(self.receipts["outcome"].eq("refused").all())

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, ready for JSON."""
        return {
            "season": str(self.season.path),
            "receipts": rows_of(self.receipts),
            "set_aside": rows_of(self.set_aside),
            "problems": self.problems,
            "orphans": self.orphans,
            "photo_places": [] if self.places is None else _place_rows(self.places),
        }

    def lines(self) -> list[str]:
        """Return what a person reads on the terminal."""
        told = [f"Season {self.season.path}"]
        imported = self.receipts[self.receipts["outcome"].eq("imported")]
        by_table = imported.groupby("table_name", sort=False)
        counts = by_table[["rows_in", "rows_kept", "rows_known", "rows_set_aside"]].sum()
        for table, came, kept, known, aside in counts.itertuples(name=None):
            if came:
                there = f" ({known} of them in the season already)" if known else ""
                left = f", {aside} set aside" if aside else ""
                told.append(f"  {table}: {came} read, {kept} kept{there}{left}")
        known = self.receipts.loc[self.receipts["outcome"].eq("known"), "file"].nunique()
        if known:
            told.append(f"  {known} file(s) were in the season already; nothing changed")
        beside = self.receipts[self.receipts["outcome"].eq("passed over")]
        told += [f"  passed over: {row.file} ({row.notes})" for row in beside.itertuples()]
        notes = imported[["file", "notes"]].dropna().drop_duplicates()
        told += _first(f"  note, {row.file}: {row.notes}" for row in notes.itertuples())
        told += _first(
            f"  set aside, {row.file}, row {row.source_row}: {row.reason}"
            for row in self.set_aside.itertuples()
        )
        if self.orphans and set(imported["table_name"]) & {"prints", "outlines", "sign"}:
            told.append(f"  note: {self.orphans}")
        told += [] if self.places is None else _place_lines(self.places)
        return [*told, *(f"  problem: {problem}" for problem in self._short_problems())]

    def _short_problems(self) -> list[str]:
        """Return the problems with the names of files as they stand in the other lines."""
        told = self.receipts.dropna(subset="problem")
        paths = told["path"] if "path" in told else told["file"]
        return list(
            dict.fromkeys(
                str(problem).replace(str(path), str(file))
                for problem, path, file in zip(told["problem"], paths, told["file"], strict=True)
            )
        )


def summarise_import(
    season: Season, receipts: pd.DataFrame, *, places: gpd.GeoDataFrame | None = None
) -> ImportSummary:
    """Gather what an import did: its receipts, and the rows it set aside.

    Parameters
    ----------
    season : Season
        The season that grew.
    receipts : DataFrame
        From `import_files`.
    places : GeoDataFrame, optional
        From `place_season_photos`.

    Returns
    -------
    ImportSummary
        With lines for people, and a dictionary for machines.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> season = example_season()
    >>> receipts = season.read("receipts").assign(outcome="imported", problem=None)
    >>> len(summarise_import(season, receipts).set_aside)
    0
    """
    aside = season.read("set_aside")
    fresh = receipts[receipts["outcome"].eq("imported")]
    files = fresh.drop_duplicates("receipt").set_index("receipt")["file"]
    mine = aside[aside["receipt"].isin(files.index)]
    mine = mine.assign(
        file=mine["receipt"].map(files), place=files.index.get_indexer(mine["receipt"])
    )
    mine = mine.sort_values(["place", "source_row"], kind="stable").drop(columns="place")
    orphans = tell_orphans(orphan_prints(season))
    return ImportSummary(season, receipts, mine.reset_index(drop=True), orphans, places)


def _place_rows(places: gpd.GeoDataFrame) -> list[dict[str, Any]]:
    points = places.geometry
    return rows_of(pd.DataFrame(places.drop(columns="geometry")).assign(lat=points.y, lon=points.x))


def _place_lines(places: gpd.GeoDataFrame) -> list[str]:
    """Tell how many photos were placed on logs, by which clocks, and why the others were not."""
    if not len(places):
        return []
    placed = places["log"].notna()
    told = [f"  photos without a position: {placed.sum()} of {len(places)} placed on logs by time"]
    for source, count in places.loc[placed, "clock_source"].value_counts(sort=False).items():
        told.append(f"    {count} by {CLOCK_SOURCES[str(source)]}")
    told += _first(
        f"    not placed, {row.photo}: {row.told}" for row in places.loc[~placed].itertuples()
    )
    return told


def _first(lines: Any) -> list[str]:
    told = list(lines)
    rest = len(told) - _SHOWN
    return [*told[:_SHOWN], *([f"  ... and {rest} more, in the season"] if rest > 0 else [])]
