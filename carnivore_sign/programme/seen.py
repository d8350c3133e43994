"""Programme: one of its seasons, seen as any other season, so that the same calls serve both."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd

from carnivore_sign.errors import SeasonError
from carnivore_sign.programme.database import database_about, read_database
from carnivore_sign.programme.folder import Programme
from carnivore_sign.programme.reading import read_programme
from carnivore_sign.records.season import Season


@dataclass(frozen=True)
class SeasonKept(Season):
    """A season that is kept elsewhere than in a file of its own; it is read, and not written.

    Attributes
    ----------
    path, name, time_zone
        As of `Season`; the path is that of the folder, or stands for the database.
    kept_in : Programme or str
        The programme, or the address of the database.
    season_id : str
        What it is called there.
    """

    kept_in: Programme | str
    season_id: str

    def __repr__(self) -> str:
        """Tell name and id, and not the address, which may hold a password."""
        return f"SeasonKept({self.season_id!r}, name={self.name!r})"

    def read(self, table: str) -> pd.DataFrame | gpd.GeoDataFrame:
        """Read a table of the season, conformed to its schema, in the order of import."""
        if isinstance(self.kept_in, Programme):
            rows = read_programme(self.kept_in, table, seasons=[self.season_id])
        else:
            rows = read_database(self.kept_in, table, seasons=[self.season_id])
        return rows.drop(columns="season")

    def append(self, frames: Mapping[str, pd.DataFrame]) -> None:
        """Refuse: what is kept in a programme is written as a whole.

        Raises
        ------
        SeasonError
            Always.
        """
        raise SeasonError(
            f"season '{self.season_id}' is kept in a programme and is not changed there. Extract "
            f"it, import {', '.join(frames)} into its file, and put it in again."
        )


def season_of(kept_in: Programme | str, season_id: str) -> SeasonKept:
    """Return a season of a programme or a database, to be analysed as any other.

    Parameters
    ----------
    kept_in : Programme or str
        The programme, or the address of a database.
    season_id : str
        What it is called there.

    Returns
    -------
    SeasonKept
        A season that is read where it is kept.

    Raises
    ------
    SeasonMissing
        If there is no such season.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> from carnivore_sign import create_season
    >>> from carnivore_sign.programme import add_season, create_programme
    >>> with TemporaryDirectory() as folder:
    ...     spring = create_season(f"{folder}/spring.gpkg", name="Spring", time_zone="UTC")
    ...     state = create_programme(f"{folder}/state", name="The state")
    ...     season_of(state, add_season(state, spring)).read("sign").empty
    True
    """
    if isinstance(kept_in, Programme):
        about = kept_in.about(season_id)
        path = kept_in.folder_of(season_id)
    else:
        about = database_about(kept_in, season_id)
        path = Path(season_id)
    return SeasonKept(path, str(about["name"]), str(about["time_zone"]), kept_in, season_id)
