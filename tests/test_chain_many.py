"""Many seasons: the same numbers from a file, a folder of Parquet, processes and a cluster."""

from __future__ import annotations

import os
import signal
from functools import partial
from pathlib import Path

import pandas as pd
import pytest
from chain_examples import drawn_season
from pandas.testing import assert_frame_equal

from carnivore_sign import analyse, create_season, import_files
from carnivore_sign.chain import AnalysisOptions, many
from carnivore_sign.chain.many import (
    analyse_seasons,
    log_chunks,
    visits_of_programme,
    write_months,
)
from carnivore_sign.errors import InputError, NothingSurveyed, SeasonError
from carnivore_sign.programme import (
    Programme,
    add_season,
    create_programme,
    read_programme,
    season_of,
)
from carnivore_sign.records.season import Season
from carnivore_sign.spreading import spread

pytest.importorskip("pyarrow")
DEMO = Path(__file__).parents[1] / "data" / "demo"
OPTIONS = AnalysisOptions(region="dry_range")
FRAMES = ("segments", "matched", "visits", "probabilities", "trails", "detections")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return drawn_season(4, tmp_path_factory.mktemp("drawn"))[0]


@pytest.fixture(scope="module")
def programme(season, tmp_path_factory) -> Programme:
    made = create_programme(tmp_path_factory.mktemp("programme") / "state", name="The state")
    add_season(made, season, season_id="east")
    return made


@pytest.fixture(scope="module")
def whole(season):
    return analyse(season, OPTIONS)


@pytest.fixture(scope="module")
def client():
    """Return a client of a cluster with two workers on this machine."""
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, dashboard_address=None, memory_limit=None
        ) as cluster,
        distributed.Client(cluster) as client,
    ):
        yield client


def test_a_season_of_a_programme_is_analysed_to_the_last_bit_as_its_file_is(programme, whole):
    kept = analyse(season_of(programme, "east"), OPTIONS)
    for name in FRAMES:
        assert_frame_equal(getattr(kept, name), getattr(whole, name))
    assert_frame_equal(kept.season_presence.table, whole.season_presence.table)


def test_a_cluster_gives_the_same_to_the_last_bit(client, programme, season, whole):
    """Analyse on two workers, from the file and from the programme."""
    seasons = [season, season_of(programme, "east")]
    for analysis in analyse_seasons(seasons, OPTIONS, on=client):
        for name in FRAMES:
            assert_frame_equal(getattr(analysis, name), getattr(whole, name))


def die_once(chunk, *, mark: Path):
    """Kill the worker on its first chunk, then read as any other does."""
    try:
        mark.touch(exist_ok=False)
    except FileExistsError:
        return chunk()
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError("it was killed")


@pytest.mark.parametrize("most", [1, 5000, 10**9])
def test_visits_made_some_logs_at_a_time_are_those_of_the_whole(programme, whole, most):
    assert_frame_equal(
        visits_of_programme(programme, "east", options=OPTIONS, most=most), whole.visits
    )


def test_visits_are_the_same_on_a_cluster_also_when_a_worker_is_killed(
    client, programme, season, whole, tmp_path
):
    made = visits_of_programme(programme, "east", options=OPTIONS, most=5000, on=client)
    assert_frame_equal(made, whole.visits)
    chunks = log_chunks(programme, "east", season.read("logs"), most=5000)
    assert len(chunks) > 3
    work = partial(die_once, mark=tmp_path / "mark")
    parts = list(spread(work, chunks, on=client))
    assert (tmp_path / "mark").exists()
    for part, chunk in zip(parts, chunks, strict=True):
        assert_frame_equal(part, chunk())
    fixes = read_programme(programme, "fixes", seasons=["east"])
    assert sum(map(len, parts)) == len(fixes)


def test_months_of_many_seasons_are_written_and_one_that_fails_stops_no_other(
    programme, season, tmp_path, monkeypatch
):
    """The month itself, which has tests of its own, is stood in for here."""

    def light(analysis, period, folder, *, page):
        if period == "2026-03":
            raise NothingSurveyed("nobody walked")
        folder.mkdir()
        (folder / "rows").write_text(str(len(analysis.visits)))

    monkeypatch.setattr(many, "month", light)
    bare = create_season(tmp_path / "bare.gpkg", name="Bare", time_zone="UTC")
    kept = season_of(programme, "east")
    written = write_months([bare, kept], tmp_path / "out", options=OPTIONS, on="threads")
    assert written["season"].tolist() == ["bare", "east", "east", "east"]
    assert "transect" in written["problem"].iloc[0]
    of_east = written.iloc[1:].set_index("period")
    assert of_east["problem"].dropna().to_dict() == {"2026-03": "nobody walked"}
    for period in ("2026-02", "2026-04"):
        assert int((tmp_path / "out" / "east" / period / "rows").read_text()) > 100
        assert of_east.loc[period, "folder"] == str(tmp_path / "out" / "east" / period)
    with pytest.raises(InputError, match="two seasons are called 'bare'"):
        write_months([bare, bare], tmp_path / "out")


def test_cells_are_left_to_the_whole_analysis(programme):
    with pytest.raises(InputError, match="by segments of transects only"):
        visits_of_programme(programme, "east", options=AnalysisOptions(cells="2 km"))


def test_what_is_kept_is_not_changed_in_place(programme):
    kept = season_of(programme, "east")
    with pytest.raises(SeasonError, match="Extract it"):
        kept.append({"sign": pd.DataFrame()})
    assert "east" in repr(kept)


def test_logs_are_read_on_a_cluster_as_they_are_here(client, tmp_path):
    """Names, receipts and fixes are the same but for the moment of the import."""
    logs = sorted((DEMO / "logs").glob("*.gpx"))[:12]
    broken = tmp_path / "broken.gpx"
    broken.write_text("no log at all")
    seasons = []
    for name, on in (("here", None), ("there", client)):
        made = create_season(tmp_path / f"{name}.gpkg", name=name, time_zone="UTC")
        told = import_files(made, [*logs, broken], on=on)
        assert told["outcome"].tolist().count("refused") == 1
        seasons.append(made)
    for table in ("logs", "fixes", "waypoints", "set_aside"):
        assert_frame_equal(seasons[1].read(table), seasons[0].read(table))
    receipts = [made.read("receipts").drop(columns="imported_at") for made in seasons]
    assert_frame_equal(*receipts)
