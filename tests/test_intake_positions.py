"""Positions: every usual spelling is read, and what could be two things is a fault."""

from __future__ import annotations

import random
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from carnivore_sign.intake import read_table
from carnivore_sign.intake.angles import Unreadable, degrees_of
from carnivore_sign.intake.grids import DATUMS, MOVED_WITHIN_M, datum_of, mgrs_of, to_degrees
from carnivore_sign.intake.positions import Positions, positions_from_columns, positions_from_text

GEOD = pyproj.Geod(ellps="WGS84")


def read(*texts: str) -> Positions:
    return positions_from_text(pd.Series(texts, dtype="object"))


SAME = [  # 37 deg 24 min 30 s north, 119 deg 12 min 9 s west
    "37.408333333 -119.2025",
    "37.408333333,-119.2025",
    "37.408333333, -119.2025",
    "37,408333333; -119,2025",
    "37,408333333 -119,2025",
    "37,408333333, -119,2025",
    "N 37.408333333 W 119.2025",
    "37.408333333N 119.2025W",
    "37.408333333\u00b0 N, 119.2025\u00b0 W",
    "W119.2025 N37.408333333",
    "N 37\u00b0 24.5' W 119\u00b0 12.15'",
    "N37 24.5, W119 12.15",
    "37 24,5 N 119 12,15 W",
    "37 24.5 -119 12.15",
    "37\u00b024\u203230\u2033N 119\u00b012\u20329\u2033W",
    "37\u00ba 24\u2019 30\u201d N / 119\u00ba 12\u2019 9\u201d W",
    "37 24 30 N 119 12 9 W",
    "37 24 30 -119 12 9",
    "37:24:30N 119:12:09W",
    "37d24m30s N 119d12m9s W",
    "37 deg 24 min 30 sec north, 119 deg 12 min 9 sec west",
    "37.408333333 \u2212119.2025",
    "37\u00b024'30''N, 119\u00b012'9''W",
]


@pytest.mark.parametrize("text", SAME)
def test_one_place_in_every_spelling(text: str) -> None:
    place = read(text)
    assert place.faults.empty, place.faults.tolist()
    assert place.lat[0] == pytest.approx(37.408333333, abs=1e-8)
    assert place.lon[0] == pytest.approx(-119.2025, abs=1e-8)


REFUSED = {
    "37.4": "not a position",
    "x": "not a position",
    "95 10": "out of range",
    "37.4 -190": "out of range",
    "N 37 61 W 119 10": "60 or more minutes",
    "37.5 24 -119 12": "a fraction stands before the last number",
    "-37.4S 119.2W": "a sign and a letter",
    "37.4N 119.2": "none for the other",
    "37.4E 119.2W": "the letter W is no latitude",
    "37,42,-119,20": "not a position",
    "11S 302345 4145678": "S may be the band",
    "11 302345 4145678": "the hemisphere is missing",
    "61 north 302345 4145678": "no UTM zone 61",
    "11 north 002345 4145678": "an easting is from",
    "11R 302345 4145678": "band R is 24 to 32",
    "18S UJ 23480 0647": "as many digits east as north",
    "18S AJ 23480 06470": "zone 18 has no square AJ",
    "18Y UJ 23480 06470": "no grid zone 18Y",
}


@pytest.mark.parametrize("text", REFUSED)
def test_what_cannot_be_or_could_be_two_things_is_refused(text: str) -> None:
    place = read(text)
    assert np.isnan(place.lon[0])
    assert REFUSED[text] in place.faults[0]
    assert text[:20] in place.faults[0] or "lat" in place.faults[0]


MGRS = [
    # Source: Wikipedia, Military Grid Reference System, from memory.
    ("4QFJ1234567890", 21.40974, -157.91608, 15),
    # Source: documentation of GeographicLib, GeoConvert, from memory.
    ("38SMB4414084706", 33.3, 44.4, 2),
    # Source: FGDC-STD-011-2001, U.S. National Grid (Washington Monument), from memory.
    ("18SUJ23480647", 38.88948, -77.03528, 15),
    # The origin of the northings lies on the equator, and that of the eastings in the middle
    # of the zone, at 500 km: both follow from the definition of UTM.
    ("31NEA0000000000", 0.0, 3.0, 1),
    ("31MEV0000099999", 0.0, 3.0, 2),
]


@pytest.mark.parametrize(("text", "lat", "lon", "within_m"), MGRS)
def test_published_references_of_the_military_grid(
    text: str, lat: float, lon: float, within_m: float
) -> None:
    place = read(text)
    assert GEOD.inv(place.lon[0], place.lat[0], lon, lat)[2] < within_m


def test_a_reference_with_few_digits_is_the_middle_of_its_square() -> None:
    fine, coarse = read("18S UJ 25000 05000", "18S UJ 2 0").lon, read("18SUJ20").lon
    assert coarse[0] == pytest.approx(fine[0], abs=1e-5)


def written_mgrs(lon: float, lat: float) -> tuple[str, float, float]:
    """Write a reference from pyproj's UTM; return it with the easting and northing in it."""
    zone = int((lon + 180) // 6) + 1
    band = "CDEFGHJKLMNPQRSTUVWX"[min(int((lat + 80) // 8), 19)]
    crs = f"EPSG:{(32600 if lat >= 0 else 32700) + zone}"
    east, north = pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
    column = ("ABCDEFGH", "JKLMNPQR", "STUVWXYZ")[(zone - 1) % 3][int(east // 1e5) - 1]
    rows = "ABCDEFGHJKLMNPQRSTUV" if zone % 2 else "FGHJKLMNPQRSTUVABCDE"
    row = rows[int(north // 1e5) % 20]
    return f"{zone}{band}{column}{row}{int(east % 1e5):05d}{int(north % 1e5):05d}", east, north


@given(st.floats(-179.99, 179.99), st.floats(-79.9, 83.9))
@settings(max_examples=300, deadline=None)
def test_references_written_from_pyproj_are_read(lon: float, lat: float) -> None:
    assume(abs(lat) > 1e-6)
    text, east, north = written_mgrs(lon, lat)
    place = mgrs_of(text)
    assert place is not None
    assert (place.easting_m, place.northing_m) == pytest.approx((east, north), abs=0.51)
    assert place.is_north == (lat >= 0)


@given(st.floats(-179.99, 179.99), st.floats(-79.9, 83.9))
@settings(max_examples=100, deadline=None)
def test_utm_is_that_of_pyproj(lon: float, lat: float) -> None:
    zone = int((lon + 180) // 6) + 1
    crs = f"EPSG:{(32600 if lat >= 0 else 32700) + zone}"
    east, north = pyproj.Transformer.from_crs(4326, crs, always_xy=True).transform(lon, lat)
    word = "north" if lat >= 0 else "south"
    place = read(f"{zone} {word} {east:.3f} {min(north, 9_999_999.999):.3f}")
    assert GEOD.inv(place.lon[0], place.lat[0], lon, lat)[2] < 0.01


@given(st.floats(-90, 90), st.floats(-180, 179.999999), st.integers(0, 2), st.booleans())
@settings(max_examples=200, deadline=None)
def test_what_is_written_is_read(lat: float, lon: float, parts: int, comma: bool) -> None:
    def written(value: float, letters: str) -> str:
        size = abs(value)
        if parts == 0:
            text = f"{size:.9f}\u00b0"
        else:
            units = round(size * 60**parts * 1e6)
            whole, rest = divmod(units, 1_000_000 * 60 ** (parts - 1) * 60)
            minutes = f"{rest / 1e6:.6f}'" if parts == 1 else (
                f"{rest // 60_000_000}' {rest % 60_000_000 / 1e6:.6f}\""
            )  # fmt: skip
            text = f"{whole}\u00b0 {minutes}"
        return text.replace(".", "," if comma else ".") + letters[value < 0]

    place = read(f"{written(lat, 'NS')} {written(lon, 'EW')}")
    assert place.faults.empty, place.faults.tolist()
    assert (place.lat[0], place.lon[0]) == pytest.approx((lat, lon), abs=2e-8)


def test_a_letter_s_is_a_band_where_another_row_or_the_datum_shows_it() -> None:
    place = read("11S 302345 4145678", "12T 445566 4600000")
    assert place.faults.empty
    assert place.lat[0] == pytest.approx(37.43684, abs=1e-4)
    assert read("11S 302345 4145678 NAD83").lat[0] == pytest.approx(37.43684, abs=1e-4)
    assert read("19S 302345 6145678").lat[0] < 0
    assert read("11 north 302345 4145678").lat[0] == pytest.approx(37.43684, abs=1e-4)


def test_a_stated_datum_is_moved_and_an_unknown_one_refused() -> None:
    old, new = read("37.4 -119.2 NAD27", "37.4 -119.2 (WGS 84)"), read("37.4 -119.2")
    moved_m = GEOD.inv(old.lon[0], old.lat[0], new.lon[0], new.lat[0])[2]
    assert 60 < moved_m < 120  # some 80 to 100 m in California; common practice, no source
    assert (old.lon[1], old.lat[1]) == (new.lon[0], new.lat[0])
    assert old.notes == ("1 positions were moved from NAD27 to WGS84, to within 20 m",)
    columns = {"lat": pd.Series(["37.4"]), "lon": pd.Series(["-119.2"])}
    strange = positions_from_columns({**columns, "datum": pd.Series(["Tokyo"])})
    assert "unknown datum" in strange.faults[0]
    assert np.isnan(strange.lat[0])
    with pytest.raises(Unreadable, match="unknown datum"):
        positions_from_text(pd.Series(["37.4 -119.2"]), datum="moon")


def test_datums_agree_with_pyproj() -> None:
    for datum, code in DATUMS.items():
        assert datum_of(datum.lower()) == datum
        with warnings.catch_warnings():  # of shift grids that are not installed
            warnings.simplefilter("ignore")
            group = pyproj.transformer.TransformerGroup(code, "EPSG:4326", always_xy=True)
        if datum in MOVED_WITHIN_M:
            assert group.transformers[0].accuracy <= MOVED_WITHIN_M[datum]
    assert set(DATUMS) == set(MOVED_WITHIN_M) | {"WGS84"}


def test_a_grid_on_another_datum_uses_its_ellipsoid() -> None:
    # Source: EPSG:26711, NAD27 / UTM zone 11N, as pyproj has it.
    place = read("11 north 302345 4145678 NAD27")
    mover = pyproj.Transformer.from_crs("EPSG:26711", "EPSG:4267", always_xy=True)
    lon, lat = mover.transform(302345, 4145678)
    utm = mgrs_of("11SLB0234545678")
    assert utm is not None
    again = to_degrees([utm], ["NAD27"])
    assert (again[0][0], again[1][0]) == pytest.approx((lon, lat), abs=1e-5)
    assert 50 < GEOD.inv(place.lon[0], place.lat[0], lon, lat)[2] < 150


def test_longitude_180_is_put_at_minus_180() -> None:
    assert read("10 180").lon[0] == -180


def columns_of(path: Path, separator: str) -> pd.DataFrame:
    return pd.read_csv(path, sep=separator, dtype=str, encoding="utf-8", skipinitialspace=True)


@pytest.mark.parametrize(("name", "separator"), [("1", ","), ("2", "\t")])
def test_real_spellings(real_files: Path, name: str, separator: str) -> None:
    # Nineteen spellings of one place, 1.234 south and 5.678 west, of a real test file.
    table = columns_of(real_files / "csv" / f"gpsbabel__humantodec{name}.csv", separator)
    place = positions_from_columns({"lat": table["lat"], "lon": table["lon"]})
    assert len(table) == 19
    assert place.faults.empty, place.faults.tolist()
    np.testing.assert_allclose(place.lat, -1.234, atol=1e-9)
    np.testing.assert_allclose(place.lon, -5.678, atol=1e-9)


def test_real_degrees_and_minutes_agree_with_real_decimals(real_files: Path) -> None:
    plain = columns_of(real_files / "csv" / "gpsbabel__pretty_degree.csv", "|")
    fancy = columns_of(real_files / "csv" / "gpsbabel__pretty_degree2.csv", ",")
    one = positions_from_columns({"lat": plain["lat"], "lon": plain["lon"]})
    two = positions_from_columns({"lat": fancy["Latitude"], "lon": fancy["Longitude"]})
    assert len(one.lat) == len(two.lat) == 8
    np.testing.assert_allclose(one.lat, two.lat, atol=1e-9)
    np.testing.assert_allclose(one.lon, two.lon, atol=1e-9)


def test_real_utm_in_all_zones_lies_in_the_bands_that_it_names(real_files: Path) -> None:
    table = columns_of(real_files / "csv" / "gpsbabel__grid-utm.csv", ",")
    place = positions_from_columns(
        {
            "utm_zone": table["UTM-Zone"] + table["UTM-Ch"],
            "easting": table["UTM-East"],
            "northing": table["UTM-North"],
        }
    )
    assert len(table) == 39
    assert place.faults.empty, place.faults.tolist()
    south = np.array([-80 + 8 * "CDEFGHJKLMNPQRSTUVWX".index(band) for band in table["UTM-Ch"]])
    letters = ~table["UTM-Ch"].isin(["N", "S"]).to_numpy()
    off = place.lat.to_numpy() - south
    assert ((off > -0.1) & (off < 12.1))[letters].all()
    middle = table["UTM-Zone"].astype(int) * 6 - 183
    assert (place.lon - middle).abs().max() < 6  # zones 31X and 33X are wide


HEAD = "sign,date,time,kind,"
ROW = "S1,2026-02-14,07:40,track,"
TABLES = {
    "lat,lon": "N 37 24.5,W 119 12.15",
    "position": '"37\u00b0 24\' 30"" N, 119\u00b0 12\' 9"" W"',
    "mgrs": "11SLB0507042448",
    "utm_zone,easting,northing": "11 north,305070,4142448",
    "position,datum": "37.408415 -119.201550,NAD27",
}


@pytest.mark.parametrize("columns", TABLES)
def test_a_notebook_may_hold_places_in_any_columns(tmp_path: Path, columns: str) -> None:
    path = tmp_path / "sign.csv"
    path.write_text(f"{HEAD}{columns}\n{ROW}{TABLES[columns]}\n", encoding="utf-8")
    reading = read_table(path, time_zone="America/Los_Angeles")
    assert reading.rows_kept == {"sign": 1}, reading.set_aside["reason"].tolist()
    place = reading.tables["sign"].geometry.item()
    assert GEOD.inv(place.x, place.y, -119.2025, 37.4083333)[2] < 5


def test_a_place_that_cannot_be_read_sets_its_row_aside(tmp_path: Path) -> None:
    path = tmp_path / "sign.csv"
    rows = [ROW + "37.4216 -119.2034", ROW.replace("S1", "S2") + "by the gate", "S3" + ROW[2:]]
    path.write_text("\n".join([HEAD + "position", *rows]), encoding="utf-8")
    reading = read_table(path, time_zone="America/Los_Angeles")
    assert reading.rows_kept == {"sign": 2}
    assert reading.tables["sign"].geometry.isna().tolist() == [False, True]
    assert "by the gate" in reading.set_aside["reason"].item()


def test_fuzzed_positions_do_no_harm() -> None:
    chance = random.Random(3)
    letters = "0123456789 .,;:-+\u00b0'\"NSEWnsewdmxUTMabc\u2032\u2033\u00ba/"
    texts = [*SAME, *REFUSED, *(row[0] for row in MGRS)]
    made = []
    for _ in range(5000):
        text = list(chance.choice(texts))
        for _ in range(chance.randint(1, 3)):
            text[chance.randrange(len(text)) : chance.randrange(len(text) + 1)] = chance.choice(
                letters
            )
        made.append("".join(text))
    place = read(*made)
    readable = place.lon.notna()
    blank = pd.Series([not text.strip() for text in made])
    assert (readable ^ place.lon.index.isin(place.faults.index) ^ blank).all()
    assert place.lon[readable].between(-180, 180, inclusive="left").all()
    assert place.lat[readable].between(-90, 90).all()


def test_a_text_without_end_is_no_place() -> None:
    place = read("N 37.4" + "," * 100_000 + "W 119.2", " " * 100_000 + "x" + " , " * 100_000)
    assert place.faults.str.contains("longer than 200 characters").all()
    assert place.lon.isna().all()


def test_degrees_of_tells_the_reason() -> None:
    with pytest.raises(Unreadable, match="two letters"):
        degrees_of("N 37.4 N", "lat")


def test_a_swapped_latitude_and_longitude_is_guessed_only_where_it_fits() -> None:
    columns = {
        "lat": pd.Series(["-119.2", "95", "190", "95"]),
        "lon": pd.Series(["37.4", "-120", "37", "12"]),
    }
    read = positions_from_columns(columns)
    assert read.lat.isna().all()
    assert ["swapped" in reason for reason in read.faults] == [True, False, False, True]
    assert read.faults[0].endswith("(came: -119.2); are lat and lon swapped?")
