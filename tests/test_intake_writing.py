"""Writing: many files at a time, by one process or several, and whole files only."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from killing import POINTS, assert_whole_files, write_logs
from pandas.testing import assert_frame_equal

from carnivore_sign.errors import InputError, SeasonError
from carnivore_sign.intake import import_files, importing, parallel, read_log, writing
from carnivore_sign.intake.encoded import encode_log
from carnivore_sign.intake.overlaps import FixKeys, HeldFixes, KeySet
from carnivore_sign.records import connecting
from carnivore_sign.records import season as season_room
from carnivore_sign.records.season import Season, create_season


def test_files_are_written_many_at_a_time(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    batches: list[int] = []
    whole = writing.write_checked
    monkeypatch.setattr(
        writing,
        "write_checked",
        lambda season, batch: (
            batches.append(sum("fixes" in frames for frames in batch)) or whole(season, batch)
        ),
    )
    monkeypatch.setattr(writing, "MAX_ROWS", 3 * POINTS)
    import_files(season, write_logs(tmp_path, 7))
    assert batches == [3, 3, 1]
    assert assert_whole_files(season) == 7


def test_an_interruption_keeps_the_files_that_were_finished(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = write_logs(tmp_path, 4)
    read = parallel.read_any

    def interrupted(source, **options):
        if source.path == paths[2]:
            raise KeyboardInterrupt
        return read(source, **options)

    monkeypatch.setattr(parallel, "read_any", interrupted)
    with pytest.raises(KeyboardInterrupt):
        import_files(season, paths)
    assert assert_whole_files(season) == 2
    monkeypatch.undo()
    told = import_files(season, paths).drop_duplicates("file")
    assert told["outcome"].tolist() == ["known"] * 2 + ["imported"] * 2
    assert assert_whole_files(season) == 4


def test_an_interruption_of_the_writing_leaves_the_batch_out(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("carnivore_sign.records.season.insert_rows", interrupted)
    with pytest.raises(KeyboardInterrupt):
        import_files(season, write_logs(tmp_path, 3))
    assert assert_whole_files(season) == 0


@pytest.mark.skipif(sys.platform == "win32", reason="there is no fork")
@pytest.mark.parametrize(
    ("of", "moments", "complete_every"),
    [
        ("import", 9, 4),
        ("correction", 3, 3),
        ("report", 1, 1),
    ],
)
def test_a_process_that_is_killed_leaves_whole_files_only(
    of: str, moments: int, complete_every: int
) -> None:
    script = Path(__file__).with_name("killing.py")
    words = [sys.executable, str(script), "--of", of, "--moments", str(moments)]
    words += ["--complete-every", str(complete_every)]
    told = subprocess.run(
        words, check=True, start_new_session=True, timeout=240, capture_output=True, text=True
    )
    assert told.stdout.startswith(f"{moments} {of}s were killed")


def start_import(season: Season, paths: list[Path]) -> subprocess.Popen[str]:
    words = [sys.executable, "-m", "carnivore_sign", "intake", season.path, *paths]
    return subprocess.Popen(
        [str(word) for word in words], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


@pytest.mark.parametrize("shared", [0, 12])
def test_two_processes_that_import_at_the_same_time_lose_no_row(
    season: Season, tmp_path: Path, shared: int
) -> None:
    """One waits for the other, or is told that it was too late; once more completes it."""
    paths = write_logs(tmp_path, 24)
    halves = paths[: 12 + shared // 2], paths[12 - shared // 2 :]
    running = [start_import(season, half) for half in halves]
    for process in running:
        _, told = process.communicate(timeout=120)
        assert process.returncode == 0 or "another process" in told
        assert "Traceback" not in told
    done = assert_whole_files(season)
    assert done == 24 or (shared and done >= 12)
    import_files(season, paths)
    assert assert_whole_files(season) == 24


def test_a_full_disk_is_told_and_nothing_is_lost(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """SQLite is given a few pages more than it has, as on a disk that fills up."""
    paths = write_logs(tmp_path, 24)
    import_files(season, paths[:4])
    connect = connecting.connect

    def connect_to_full_disk(path: Path) -> sqlite3.Connection:
        connection = connect(path)
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages + 2}")
        return connection

    monkeypatch.setattr(connecting, "connect", connect_to_full_disk)
    with pytest.raises(SeasonError, match=r"the disk is full\. Nothing was written"):
        import_files(season, paths)
    monkeypatch.undo()
    assert assert_whole_files(season) == 4
    import_files(season, paths)
    assert assert_whole_files(season) == 24


def test_a_disk_that_fails_is_told_as_that(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_):
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(season_room, "insert_rows", fail)
    with pytest.raises(SeasonError, match="the disk failed while it was written"):
        import_files(season, write_logs(tmp_path, 1))
    monkeypatch.undo()
    assert assert_whole_files(season) == 0


def test_two_workers_make_the_season_that_one_makes(tmp_path: Path) -> None:
    paths = write_logs(tmp_path, 9)
    (tmp_path / "bad.gpx").write_text("<html/>")
    (tmp_path / "sign.csv").write_text(
        "sign,date,time,lat,lon,kind\nS1,2026-02-14,08:01,37.4,-119.2,scat\n"
    )
    paths += [tmp_path / "bad.gpx", tmp_path / "sign.csv", paths[0], tmp_path / "gone.gpx"]
    made = {}
    for workers in (1, 2):
        season = create_season(tmp_path / f"{workers}.gpkg", name="S", time_zone="UTC")
        told = import_files(season, paths, workers=workers)
        again = import_files(season, paths[:2], workers=workers)
        assert again["outcome"].eq("known").all()
        made[workers] = told, {name: season.read(name) for name in ("fixes", "set_aside", "sign")}
    assert made[1][0]["outcome"].value_counts().to_dict() == {
        "imported": 37, "known": 4, "refused": 2,
    }  # fmt: skip
    assert_frame_equal(
        made[1][0].drop(columns="imported_at"), made[2][0].drop(columns="imported_at")
    )
    for name, frame in made[1][1].items():
        assert_frame_equal(pd.DataFrame(frame), pd.DataFrame(made[2][1][name]))
    with pytest.raises(InputError, match="0 workers"):
        import_files(season, paths, workers=0)


def test_what_another_process_imports_meanwhile_is_seen(
    season: Season, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    paths = write_logs(tmp_path, 3)
    fit = importing.fit_log

    def meanwhile(writer, log):
        if log.file == paths[0].name:
            import_files(season, [paths[1]])
        return fit(writer, log)

    monkeypatch.setattr(importing, "fit_log", meanwhile)
    told = import_files(season, paths).drop_duplicates("file")
    assert told["outcome"].tolist() == ["imported", "known", "imported"]
    assert assert_whole_files(season) == 3


def test_two_processes_that_import_the_same_file_at_once_are_told(
    season: Season, tmp_path: Path
) -> None:
    (path,) = write_logs(tmp_path, 1)
    writer = writing.SeasonWriter(season)
    writer.add_log(encode_log(read_log(path)))
    import_files(season, [path])
    with pytest.raises(SeasonError, match="did another process import the same file"):
        writer.flush()
    assert assert_whole_files(season) == 1


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.lists(st.tuples(st.integers(-9, 9), st.integers(0, 3)), max_size=12), max_size=9)
)
def test_a_set_of_keys_is_a_set(groups: list[list[tuple[int, int]]]) -> None:
    keys, held = KeySet(), set()
    for group in groups:
        moments = np.array([moment for moment, _ in group], dtype=np.int64).view(np.uint64)
        places = np.array([place for _, place in group], dtype=np.uint64)
        assert keys.has(moments, places).tolist() == [pair in held for pair in group]
        keys.add(moments, places)
        held |= set(group)


def test_fixes_of_this_import_and_of_an_earlier_one_are_held(
    season: Season, tmp_path: Path
) -> None:
    paths = write_logs(tmp_path, 3)
    import_files(season, paths[:2])
    held = HeldFixes(season)
    third = read_log(paths[2]).tables["fixes"]
    assert not held.has(FixKeys.of(third)).any()
    held.add(FixKeys.of(third))
    for path in paths:
        assert held.has(FixKeys.of(read_log(path).tables["fixes"])).all()
    moved = third.set_geometry(third.translate(yoff=2e-6))
    assert not held.has(FixKeys.of(moved)).any()


@pytest.mark.skipif(sys.platform == "win32", reason="memory is counted another way there")
def test_memory_is_flat_with_the_number_of_files(tmp_path: Path) -> None:
    """Import few and many logs in a fresh process each, and compare the most they took."""
    code = (
        "import resource, sys\nfrom pathlib import Path\n"
        "from carnivore_sign.intake import import_files\n"
        "from carnivore_sign.records.season import create_season\n"
        "folder = Path(sys.argv[1])\n"
        "season = create_season(folder / f'{sys.argv[2]}.gpkg', name='S', time_zone='UTC')\n"
        "paths = [folder / f'{n}.gpx' for n in range(int(sys.argv[2]))]\n"
        "assert import_files(season, paths)['outcome'].eq('imported').all()\n"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)\n"
    )
    points = 2000
    for number in range(60):
        day = pd.Timestamp("2026-01-01T08:00Z") + pd.Timedelta(days=number)
        times = day + pd.to_timedelta(np.arange(points), unit="s")
        rows = "".join(
            f'<trkpt lat="{37 + i / 1e5:.6f}" lon="-119.2"><time>{word}</time></trkpt>'
            for i, word in enumerate(times.strftime("%Y-%m-%dT%H:%M:%SZ"))
        )
        (tmp_path / f"{number}.gpx").write_text(f"<gpx><trk><trkseg>{rows}</trkseg></trk></gpx>")
    most = [
        int(
            subprocess.run(
                [sys.executable, "-c", code, str(tmp_path), str(files)],
                capture_output=True, text=True, check=True,
            ).stdout
        )
        for files in (30, 60)
    ]  # fmt: skip
    # 60 000 more fixes take some 40 MB as a table; what is held of each is 16 bytes.
    assert most[1] - most[0] < 16_000  # KiB


def test_a_script_that_guards_nothing_reads_no_file_twice(tmp_path: Path) -> None:
    """A process that runs such a script again ends before it touches the season."""
    write_logs(tmp_path, 24)
    season = create_season(tmp_path / "season.gpkg", name="S", time_zone="UTC")
    script = tmp_path / "unguarded.py"
    script.write_text(
        "from pathlib import Path\n"
        "from carnivore_sign.intake import import_files\n"
        "from carnivore_sign.records.season import open_season\n"
        "here = Path(__file__).parent\n"
        "paths = sorted(here.glob('*.gpx'))\n"
        "import_files(open_season(here / 'season.gpkg'), paths, workers=2)\n",
        encoding="utf-8",
    )
    subprocess.run([sys.executable, str(script)], capture_output=True, check=False, timeout=120)
    assert_whole_files(season)
    receipts = import_files(season, sorted(tmp_path.glob("*.gpx")))
    assert assert_whole_files(season) == 24
    assert receipts["problem"].isna().all()
