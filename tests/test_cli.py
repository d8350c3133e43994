"""The command line: what it prints, what it refuses, and with which exit status."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import geopandas as gpd
import pytest

import carnivore_sign
from carnivore_sign.cli import main
from carnivore_sign.demo import demo_folder
from carnivore_sign.records.season import create_season, open_season

DEMO = demo_folder()
ZONE = ("--zone", "America/Los_Angeles")
HEAD = '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'


def run(*words: object) -> int:
    return main([str(word) for word in words])


@pytest.fixture(scope="module")
def small(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a season with the February of the demo, made by the command itself."""
    path = tmp_path_factory.mktemp("small") / "season.gpkg"
    tables = [*DEMO.glob("*.geojson"), *DEMO.glob("*.csv")]
    logs = (DEMO / "logs").glob("2026-02-*.gpx")
    assert run("intake", path, *ZONE, "--name", "Small", *tables, *logs) == 0
    return path


@pytest.mark.parametrize("command", ["demo", "intake", "set-aside", "columns", "month", "answer"])
def test_each_command_has_help_with_an_example(
    command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as ended:
        run(command, "--help")
    assert ended.value.code == 0
    assert f"example:\n  carnivore-sign {command} " in capsys.readouterr().out


def test_it_runs_as_a_module_and_as_a_command() -> None:
    line = [sys.executable, "-m", "carnivore_sign", "--version"]
    told = subprocess.run(line, capture_output=True, text=True, check=True).stdout
    assert told.strip() == f"carnivore-sign {carnivore_sign.__version__}"
    script = Path(sys.executable).with_name("carnivore-sign")
    told = subprocess.run([script, "--version"], capture_output=True, text=True, check=True).stdout
    assert told.strip() == f"carnivore-sign {carnivore_sign.__version__}"


def test_help_loads_no_heavy_library() -> None:
    code = (
        "import sys\nfrom carnivore_sign.cli import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print([m for m in ('pandas', 'geopandas', 'matplotlib', 'typst') if m in sys.modules])"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.splitlines()[-1] == "[]"


def test_intake_makes_a_season_that_a_gis_opens(small: Path) -> None:
    fixes = gpd.read_file(small, layer="fixes")
    assert len(fixes) > 1000
    assert open_season(small).name == "Small"


def test_importing_twice_changes_nothing(small: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = small.read_bytes()
    assert run("intake", small, DEMO / "sign.csv") == 0
    assert "1 file(s) were in the season already; nothing changed" in capsys.readouterr().out
    assert small.read_bytes() == before


def test_intake_tells_a_machine_the_receipts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season = tmp_path / "s.gpkg"
    assert run("intake", season, *ZONE, "--json", DEMO / "clearings.csv") == 0
    told = json.loads(capsys.readouterr().out)
    (receipt,) = told["receipts"]
    assert receipt["rows_in"] == receipt["rows_kept"] + receipt["rows_set_aside"] > 0
    assert receipt["table_name"] == "clearings"
    assert told["problems"] == []


def test_columns_tells_what_a_notebook_may_hold(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("columns", "sign") == 0
    told = capsys.readouterr().out
    assert "kind (needed)" in told
    assert "one of: track, scat" in told
    assert run("columns", "fixes") == 2


def test_month_writes_what_it_says(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "february"
    words = ("month", small, "2026-02", "--out", out, "--region", "dry_range", "--json")
    assert run(*words) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["numbers"]["period"] == "2026-02"
    assert told["numbers"]["rates"]["effort_km"] > 50
    assert all(Path(path).stat().st_size > 0 for path in told["files"].values())
    assert (out / "map.png").read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    assert (out / "report.pdf").read_bytes()[:5] == b"%PDF-"
    assert len(gpd.read_file(out / "layers.gpkg", layer="segments")) == 46


def test_answer_writes_what_it_says(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("answer", small, "I1", "--out", tmp_path / "answer", "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["numbers"]["incident"] == "I1"
    assert Path(told["files"]["answer (PDF)"]).read_bytes()[:5] == b"%PDF-"
    out = tmp_path / "public"
    assert run("answer", small, "I1", "--out", out, "--for", "public", "--sensitivity", 1) == 0
    assert "cell of 1 degree at" in (out / "answer.html").read_text(encoding="utf-8")


def bad_files(folder: Path) -> dict[str, tuple[Path, str]]:
    """Make the files that people hand in by mistake, each with what must be said of it."""
    made = {
        "empty.gpx": (b"", "empty"),
        "truncated.gpx": (HEAD.encode() + b'<trk><trkseg><trkpt lat="1" lon="2"><ti', "set aside"),
        "wrong_column.csv": (b"sign,date,when,kind\nS1,2026-02-01,07:00,track\n", "time"),
        "latitude.gpx": (
            HEAD.encode() + b'<wpt lat="95" lon="2"><name>a</name></wpt></gpx>', "95"),
        "plain.txt": (b"these are only words\n", "kind"),
    }  # fmt: skip
    told = {}
    for name, (content, words) in made.items():
        (folder / name).write_bytes(content)
        told[name] = (folder / name, words)
    return told


@pytest.mark.parametrize(
    "name",
    ["empty.gpx", "truncated.gpx", "wrong_column.csv", "latitude.gpx", "plain.txt", "missing.gpx"],
)
def test_a_bad_file_ends_with_a_message_and_status_2(
    name: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    file, words = bad_files(tmp_path).get(name, (tmp_path / name, "no such file"))
    season = tmp_path / "s.gpkg"
    good = DEMO / "clearings.csv"
    assert run("intake", season, *ZONE, file, good) == 2
    told = capfd.readouterr()
    assert "Traceback" not in told.out + told.err
    assert file.name in told.out + told.err
    assert words in told.out + told.err
    assert len(open_season(season).read("clearings")) > 0  # the good file beside it is kept


def test_a_transect_in_degrees_without_a_crs_is_refused_and_then_taken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    layer = gpd.read_file(DEMO / "transects.geojson").set_crs(None, allow_override=True)
    with pytest.warns(UserWarning, match="crs"):
        layer.to_file(tmp_path / "lines.shp")
    (tmp_path / "lines.prj").unlink(missing_ok=True)
    season = tmp_path / "s.gpkg"
    assert run("intake", season, *ZONE, tmp_path / "lines.shp") == 2
    assert "--crs" in capsys.readouterr().out
    assert run("intake", season, *ZONE, "--crs", "EPSG:4326", tmp_path / "lines.shp") == 0
    assert len(open_season(season).read("transects")) == 7


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("month", "{none}", "2026-02", "--out", "{out}"), "no such season"),
        (("month", "{season}", "2026-2", "--out", "{out}"), "Write it as 2026-03"),
        (("month", "{season}", "2026-07", "--out", "{out}"), "2026-02"),
        (("month", "{season}", "2026-02", "--out", "{out}", "--taxon", "yeti"), "Use one of"),
        (("month", "{season}", "2026-02", "--out", "{out}", "--region", "moon"), "dry_range"),
        (("month", "{season}", "2026-02", "--out", "{season}"), "Name a folder"),
        (("answer", "{season}", "I9", "--out", "{out}"), "It has: I1"),
        (
            (
                "month",
                "{season}",
                "2026-02",
                "--out",
                "{out}",
                "--region",
                "dry_range",
                "--taxon",
                "wolf",
            ),
            "Choose another region: ",
        ),
        (("month", "{season}", "2026-02", "--out", "{out}", "--absent", "puma"), "absent"),
        (("month", "{season}", "2026-02", "--out", "{out}", "--tolerance-m", "1e9"), "500 m"),
        (("month", "{season}", "2026-02", "--out", "{out}", "--basemap", "here"), "{z}/{x}"),
        (("month", "{season}", "2026-02", "--out", "{out}", "--photos", "{none}"), "such folder"),
        (("intake", "{season}", "--zone", "America/Denver", "x.gpx"), "America/Los_Angeles"),
        (("intake", "{season}", "--name", "Other", "x.gpx"), "Leave --name out"),
        (("intake", "{none}", "x.gpx"), "--zone"),
        (("intake", "{none}", "--zone", "Mars/Olympus", "x.gpx"), "IANA"),
    ],
)
def test_a_wrong_word_ends_with_the_way_out_and_status_2(
    words: tuple[str, ...],
    message: str,
    small: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    names = {"season": small, "none": tmp_path / "none.gpkg", "out": tmp_path / "out"}
    assert run(*(word.format(**names) for word in words)) == 2
    told = capsys.readouterr().err
    assert message in told
    assert "Traceback" not in told


def test_an_empty_season_says_what_to_import(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "s.gpkg"
    create_season(path, name="Empty", time_zone="UTC")
    assert run("month", path, "2026-02", "--out", tmp_path / "out") == 2
    told = capsys.readouterr().err
    assert "no transects and no GPS logs" in told
    assert "carnivore-sign intake" in told


def test_an_interruption_ends_with_status_130(
    small: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(carnivore_sign, "month", interrupted, raising=False)
    assert run("month", small, "2026-02", "--out", tmp_path) == 130
    assert "interrupted" in capsys.readouterr().err


def test_a_machine_is_told_of_an_error_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run("month", tmp_path / "none.gpkg", "2026-02", "--out", tmp_path, "--json") == 2
    assert "no such season" in json.loads(capsys.readouterr().out)["error"]


def test_no_season_is_left_behind_when_no_file_could_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    season = tmp_path / "s.gpkg"
    assert run("intake", season, *ZONE, tmp_path / "missing.gpx") == 2
    assert not season.exists()
    assert "no season was made" in capsys.readouterr().err


def test_a_reader_that_goes_away_is_no_error(small: Path, tmp_path: Path) -> None:
    line = f"{sys.executable} -m carnivore_sign intake {small} {DEMO / 'sign.csv'} --json | head -1"
    ended = subprocess.run(line, shell=True, capture_output=True, text=True, check=False)
    assert "Broken pipe" not in ended.stderr
    assert "Traceback" not in ended.stderr


def test_taxa_known_to_be_absent_take_no_share(
    small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("month", small, "2026-02", "--out", tmp_path / "o", "--absent", "wolf,Lynx", "--json")
    assert run(*words) == 0
    prior = json.loads(capsys.readouterr().out)["numbers"]["prior"]
    assert prior["wolf"] == prior["lynx"] == 0
    assert sum(prior.values()) == pytest.approx(1)


def test_logs_that_follow_no_transect_are_told_with_their_distance(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    points = "".join(
        f'<trkpt lat="33.5" lon="{-129 + i / 10000:.4f}"><time>2026-02-03T16:00:{i:02d}Z</time>'
        "</trkpt>"
        for i in range(60)
    )
    (tmp_path / "far.gpx").write_text(f"{HEAD}<trk><trkseg>{points}</trkseg></trk></gpx>")
    season = tmp_path / "s.gpkg"
    transects = DEMO / "transects.geojson"
    assert run("intake", season, *ZONE, transects, tmp_path / "far.gpx") == 0
    assert run("month", season, "2026-02", "--out", tmp_path / "o") == 2
    told = capsys.readouterr().err
    assert "follows a transect" in told
    assert " km from one" in told


def test_rows_set_aside_are_written_corrected_and_read_again(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    log, aside = tmp_path / "walk.gpx", tmp_path / "aside.csv"
    points = [
        f'<trkpt lat="{lat}" lon="-119.2"><time>2026-02-14T15:40:0{second}Z</time></trkpt>'
        for second, lat in enumerate(("37.4", "374"))
    ]
    log.write_text(f"{HEAD}<trk><trkseg>{''.join(points)}</trkseg></trk></gpx>")
    season = tmp_path / "s.gpkg"
    assert run("intake", season, log, *ZONE, "--workers", 2) == 0
    capsys.readouterr()
    assert run("set-aside", season) == 0
    assert "walk.gpx, row 2: latitude out of range" in capsys.readouterr().out
    assert run("set-aside", season, "--json") == 0
    (row,) = json.loads(capsys.readouterr().out)["set_aside"]
    assert (row["set_aside_no"], row["table_name"], row["settled_by"]) == (1, "fixes", None)
    assert run("set-aside", season, "--write", aside) == 0
    assert "1 rows set aside" in capsys.readouterr().out
    aside.write_text(aside.read_text().replace('lat=""374""', 'lat=""37.4001""', 2))
    capsys.readouterr()
    assert run("set-aside", season, "--corrected", aside, "--json") == 0
    told = json.loads(capsys.readouterr().out)
    assert told["receipts"][0]["rows_kept"] == 1
    assert open_season(season).read("fixes").geometry.y.tolist() == [37.4, 37.4001]
    assert run("set-aside", season, "--write", aside, "--json") == 0
    assert json.loads(capsys.readouterr().out)["rows"] == 0
