"""Dates as people write them: one meaning is read, two are told, and the remedy fits the table."""

from __future__ import annotations

import datetime
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carnivore_sign.intake import Reading, read_file
from carnivore_sign.intake.dates import join_moment, read_day, tidy_clock, why_unread

#: Forms of one meaning. Source: strftime of the C standard, in the C locale.
FORMS = (
    *("%Y-%m-%d", "%Y/%m/%d", "%Y.%m.%d", "%Y%m%d", "%d.%m.%Y", "%d. %m. %Y"),
    *("%d %b %Y", "%d %B %Y", "%d-%b-%Y", "%b %d, %Y", "%B %d %Y", "%d%b%Y"),
)


def read(folder: Path, *lines: str, zone: str | None = "America/Los_Angeles") -> Reading:
    path = folder / "notebook.csv"
    path.write_text("\n".join(lines))
    return read_file(path, time_zone=zone)


@given(st.dates(datetime.date(1950, 1, 1), datetime.date(2099, 12, 31)), st.sampled_from(FORMS))
@settings(max_examples=300, deadline=None)
def test_every_form_of_one_meaning_is_read_back(day: datetime.date, form: str) -> None:
    assert read_day(day.strftime(form)) == (day.isoformat(), "")


@given(
    st.dates(datetime.date(1950, 1, 1), datetime.date(2099, 12, 31)),
    st.sampled_from(("%d/%m/%Y", "%m/%d/%Y", "%d-%m-%Y", "%m-%d-%Y")),
)
@settings(max_examples=300, deadline=None)
def test_a_slash_date_is_read_only_where_it_is_one_day(day: datetime.date, form: str) -> None:
    iso, told = read_day(day.strftime(form))
    if day.day > 12:
        assert (iso, told) == (day.isoformat(), f"{day.strftime(form)} as {day.isoformat()}")
    elif day.day == day.month:
        assert (iso, told) == (day.isoformat(), "")
    else:
        other = day.replace(month=day.day, day=day.month)
        assert iso is None
        assert day.isoformat() in told
        assert other.isoformat() in told


@given(st.times())
@settings(max_examples=200, deadline=None)
def test_every_form_of_a_time_of_day_is_read_back(time: datetime.time) -> None:
    wanted = time.strftime("%H:%M")
    for form in ("%H:%M", "%H.%M", "%Hh%M", "%H%M", "%I:%M %p", "%I.%M%p"):
        assert tidy_clock(time.strftime(form)) == wanted
    assert tidy_clock(f"{time.hour}{time.minute:02d}") == wanted


@pytest.mark.parametrize(
    ("day", "clock", "joined"),
    [
        ("22 Aug 2014", "1910", "2014-08-22T19:10"),
        ("22.08.2014", "7:10 pm", "2014-08-22T19:10"),
        ("", "22/08/2014 18:53", "2014-08-22T18:53"),
        ("", "8/22/2014 6:53 PM", "2014-08-22T18:53"),
        ("2014-08-22T00:00:00", "18:53", "2014-08-22T18:53"),
        ("2014-08-22 18:53", "", "2014-08-22T18:53"),
        ("", "2014-08-22T18:53:00-07:00", "2014-08-22T18:53:00-07:00"),
        ("22 Sept 2014", "18:53Z", "2014-09-22T18:53Z"),
        ("", "Aug 22nd, 2014 at 9am", "2014-08-22T09:00"),
    ],
)
def test_a_date_and_a_time_of_day_are_joined(day: str, clock: str, joined: str) -> None:
    assert join_moment(day, clock) == joined
    assert why_unread(day, clock, apart=bool(day)) is None


REMEDIES = {
    "03/04/2014,18:53": "it can be two dates: write 2014-04-03 or 2014-03-04",
    "22/08/14,18:53": "a year of two digits",
    "22 Aug 14,18:53": "a year of two digits",
    "30.02.2014,18:53": "no such date (30.02.2014): write the date as 2014-08-22",
    "22 Abc 2014,18:53": "'Abc' is no month: write the date as 2014-08-22",
    "next week,18:53": "not a date: write the date as 2014-08-22",
    "2014-08-22,noon": "'noon' is no time of day: write the time in full, for example 18:53",
    "2014-08-22,25:10": "'25:10' is no time of day",
    "2014-08-22,13:10 pm": "'13:10 pm' is no time of day",
    "2014-08-22,": "a date without time of day: write the time as 18:53 in its column",
    ",18:53": "a time of day without a date: write the date as 2014-08-22 and the time as 18:53",
}


@pytest.mark.parametrize(("cells", "reason"), REMEDIES.items())
def test_the_remedy_fits_the_columns_and_never_names_utc(
    cells: str, reason: str, tmp_path: Path
) -> None:
    reading = read(tmp_path, "sign,date,time,kind", f"a,{cells},scat", "b,2014-08-22,18:53,scat")
    told = reading.set_aside["reason"].item()
    assert reason in told
    assert f"(came: {cells.replace(',', ' ').strip()})" in told
    assert "Z" not in told.replace("no zone", "")
    assert reading.rows_kept == {"sign": 1}


def test_a_table_with_one_column_of_times_is_told_to_write_both_there(tmp_path: Path) -> None:
    reading = read(
        tmp_path, "incident,found", "a,22 Aug 2014 18:53", "b,22.08.2014", "c,18:53", "d,soon"
    )
    assert reading.tables["incidents"]["found"].item() == pd.Timestamp("2014-08-23T01:53Z")
    assert [reason.partition(" (came")[0] for reason in reading.set_aside["reason"]] == [
        "found: a date without time of day: write 2014-08-22 18:53",
        "found: a time of day without a date: write 2014-08-22 18:53",
        "found: not a time: write 2014-08-22 18:53",
    ]


def test_how_slash_dates_were_read_is_noted(tmp_path: Path) -> None:
    reading = read(
        tmp_path, "cause,date,time,transects", "rain,22/08/2014,18:53,A", "rain,23/08/2014,1853,A"
    )
    assert reading.tables["clearings"]["time"].dt.strftime("%d %H:%M").tolist() == [
        "23 01:53", "24 01:53",
    ]  # fmt: skip
    assert any("22/08/2014 as 2014-08-22" in note for note in reading.notes)
    plain = read(tmp_path, "cause,date,time,transects", "rain,22.08.2014,18:53,A")
    assert not any("above 12" in note for note in plain.notes)


def test_what_a_zone_decides_is_still_told_by_the_zone(tmp_path: Path) -> None:
    skipped = read(
        tmp_path, "sign,date,time,kind", "a,8 Mar 2026,2:30,scat", "b,8 Mar 2026,4:30,scat"
    )
    assert "the clocks went forward" in skipped.set_aside["reason"].item()
    bare = read(tmp_path, "sign,date,time,kind", "a,8 Mar 2026,4:30,scat", zone=None)
    assert "state the time zone" in bare.set_aside["reason"].item()


@given(st.text(max_size=30), st.text(max_size=30))
@settings(max_examples=300, deadline=None)
def test_any_two_cells_are_joined_or_told_and_never_both(day: str, clock: str) -> None:
    day, clock = day.strip(), clock.strip()
    joined = join_moment(day, clock)
    if why_unread(day, clock, apart=True) is None:
        datetime.date.fromisoformat(joined[:10])
