"""The command ``programme``: seasons in, listed, checked and out again."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest
from pandas.testing import assert_frame_equal
from postgres import binaries, server

from carnivore_sign import create_season, import_files, open_season
from carnivore_sign.chain import many
from carnivore_sign.cli import main

pytest.importorskip("pyarrow")
DEMO = Path(__file__).parents[1] / "data" / "demo"


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = create_season(
        tmp_path_factory.mktemp("s") / "spring.gpkg", name="Spring", time_zone="America/Los_Angeles"
    )
    logs = sorted((DEMO / "logs").glob("*.gpx"))[::13]
    import_files(made, [*logs, DEMO / "sign.csv", DEMO / "transects.geojson"])
    return made.path


def said(capsys) -> dict:
    return json.loads(capsys.readouterr().out)


def go_round(where: str, season: Path, tmp_path: Path, capsys) -> None:
    """Put a season in, list it and take it out again."""
    assert main(["programme", "add", where, str(season), "--json"]) == 0
    assert said(capsys) == {"added": ["spring"]}
    assert main(["programme", "add", where, str(season)]) == 2
    assert "replace" in capsys.readouterr().err
    assert main(["programme", "add", where, str(season), "--replace"]) == 0
    capsys.readouterr()
    assert main(["programme", "list", where, "--json"]) == 0
    assert [row["name"] for row in said(capsys)["seasons"]] == ["Spring"]
    out = tmp_path / "out.gpkg"
    assert main(["programme", "extract", where, "spring", str(out)]) == 0
    before, after = open_season(season).read("fixes"), open_season(out).read("fixes")
    assert_frame_equal(pd.DataFrame(after), pd.DataFrame(before))
    assert main(["programme", "extract", where, "winter", str(tmp_path / "w.gpkg")]) == 2
    assert "no season 'winter'" in capsys.readouterr().err


def test_a_folder(season, tmp_path, capsys, monkeypatch):
    where = str(tmp_path / "state")
    go_round(where, season, tmp_path, capsys)
    assert main(["programme", "check", where]) == 0
    assert "1 seasons: sound" in capsys.readouterr().out
    monkeypatch.setattr(many, "month", lambda analysis, period, folder, *, page: folder.mkdir())
    out = str(tmp_path / "months")
    assert main(["programme", "months", where, "--out", out, "--on", "threads", "--json"]) == 0
    rows = said(capsys)["months"]
    assert rows
    assert all(Path(row["folder"]).is_dir() for row in rows)
    assert main(["programme", "months", where, "--out", out, "--on", "moon"]) == 2
    assert "no place to work" in capsys.readouterr().err
    next((tmp_path / "state").rglob("fixes/**/rows.parquet")).unlink()
    assert main(["programme", "check", where]) == 2
    assert "the file is gone" in capsys.readouterr().out


def test_a_database(season, tmp_path, capsys):
    pytest.importorskip("psycopg")
    programs = binaries()
    if programs is None:
        pytest.skip("no PostgreSQL with PostGIS on this machine")
    with server(programs) as where:
        go_round(where, season, tmp_path, capsys)
        assert main(["programme", "check", where]) == 2
        assert "as its seasons are taken out" in capsys.readouterr().err


def test_what_is_not_there_is_told(tmp_path, capsys):
    assert main(["programme", "list", str(tmp_path / "none")]) == 2
    assert "there is no programme" in capsys.readouterr().err
