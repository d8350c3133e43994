"""The same walk downloaded twice, once rounded: its fixes count once, and the receipt says so."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from carnivore_sign.intake import import_files
from carnivore_sign.intake.roundings import Resolution, resolution_of, same_within
from carnivore_sign.records.season import Season, open_season

START = pd.Timestamp("2026-02-14T15:40:00Z")


def walk(seed: int = 1, count: int = 120) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return seconds with fractions, latitudes and longitudes of a walk, to many decimals."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(count) + rng.integers(0, 1000, count) / 1000
    lat = 37.4 + np.cumsum(rng.normal(1e-5, 4e-6, count))
    return seconds, lat, -119.2 + np.cumsum(rng.normal(0, 4e-6, count))


def write(
    path: Path, walked: tuple[np.ndarray, ...], *, decimals: int = 7, whole: bool = False,
    cut: bool = False,
) -> Path:  # fmt: skip
    """Write a walk as GPX, rounded or cut off behind some decimals, with or without fractions."""
    seconds, lat, lon = walked
    scale = 10**decimals
    lat, lon = ((np.trunc if cut else np.rint)(axis * scale) / scale for axis in (lat, lon))
    times = START + pd.to_timedelta(np.floor(seconds) if whole else seconds, unit="s")
    words = times.round("ms").strftime("%Y-%m-%dT%H:%M:%S.%f").str[: 19 if whole else 23]
    points = "".join(
        f'<trkpt lat="{y:.{decimals}f}" lon="{x:.{decimals}f}"><time>{word}Z</time></trkpt>'
        for y, x, word in zip(lat, lon, words, strict=True)
    )
    path.write_text(f"<gpx><trk><trkseg>{points}</trkseg></trk></gpx>")
    return path


ROUNDINGS = {
    "five decimals": {"decimals": 5},
    "five decimals, cut off": {"decimals": 5, "cut": True},
    "whole seconds": {"whole": True},
    "both": {"decimals": 5, "whole": True},
}


@pytest.mark.parametrize("how", ROUNDINGS)
@pytest.mark.parametrize("coarse_first", [False, True])
@pytest.mark.parametrize("apart", [False, True])
def test_a_rounded_copy_of_a_log_adds_no_fix(
    season: Season, tmp_path: Path, how: str, coarse_first: bool, apart: bool
) -> None:
    """In either order, and in one import or in two."""
    fine = write(tmp_path / "fine.gpx", walk())
    coarse = write(tmp_path / "coarse.gpx", walk(), **ROUNDINGS[how])
    first, second = (coarse, fine) if coarse_first else (fine, coarse)
    if apart:
        import_files(season, [first])
        told = import_files(open_season(season.path), [second])
    else:
        told = import_files(season, [first, second]).query("file == @second.name")
    receipt = told.query("table_name == 'fixes'").iloc[0]
    assert (receipt["rows_in"], receipt["rows_kept"], receipt["rows_known"]) == (120, 120, 120)
    assert "the same to within their rounding" in receipt["notes"]
    assert ("5 decimals" in receipt["notes"]) == ("decimals" in ROUNDINGS[how])
    assert ("whole seconds" in receipt["notes"]) == ("whole" in ROUNDINGS[how])
    assert season.read("fixes")["log"].unique().tolist() == [first.stem]


def test_what_a_longer_rounded_copy_has_more_is_added(season: Season, tmp_path: Path) -> None:
    whole = walk(count=150)
    write(tmp_path / "noon.gpx", tuple(axis[:100] for axis in whole))
    write(tmp_path / "evening.gpx", whole, decimals=5)
    import_files(season, [tmp_path / "noon.gpx", tmp_path / "evening.gpx"])
    assert season.read("fixes").groupby("log").size().to_dict() == {"noon": 100, "evening": 50}


@pytest.mark.parametrize("decimals", [5, 7])
def test_a_second_device_with_fewer_decimals_is_no_copy(
    season: Season, tmp_path: Path, decimals: int
) -> None:
    """Two receivers carried side by side: 3 m of error each, which lasts for minutes."""
    seconds, lat, lon = walk()
    beside = np.floor(seconds), lat + 2.7e-5, lon - 3.4e-5
    write(tmp_path / "ana.gpx", (np.floor(seconds), lat, lon))
    write(tmp_path / "ben.gpx", beside, decimals=decimals, whole=True)
    told = import_files(season, [tmp_path / "ana.gpx", tmp_path / "ben.gpx"])
    assert told["rows_known"].eq(0).all()
    assert len(season.read("fixes")) == 240


@given(st.integers(0, 2**32), st.sampled_from([1, 10]), st.sampled_from([1, 1000]))
def test_rounding_and_cutting_off_are_always_recognised(seed: int, unit: int, tick: int) -> None:
    rng = np.random.default_rng(seed)
    moments = np.sort(rng.integers(0, 10**8, 40))
    steps = rng.integers(0, 18 * 10**7, (40, 2))
    zero = np.array([180_000_000, 90_000_000])
    rounded = ((steps - zero) // unit) * unit + zero
    coarse = resolution_of(moments // tick * tick, rounded).coarser(resolution_of(moments, steps))
    assert coarse == Resolution(unit, tick)
    assert same_within((moments // tick * tick, rounded), (moments, steps), coarse).all()
    assert same_within((moments, steps), (moments // tick * tick, rounded), coarse).all()
    far = steps + 3 * unit
    assert not same_within((moments, far), (moments // tick * tick, rounded), coarse).any()
