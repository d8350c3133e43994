"""Importing: files into a season, whole files only, each with its receipt.

Files are written a few at a time, each whole, in one transaction. A file that cannot be read
leaves the season as it was and does not stop the others. The same content again changes nothing; of
a log that overlaps another one (a second download of the same day) only the fixes that are
new are added, so that no effort counts twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import replace
from itertools import groupby, islice
from pathlib import Path
from typing import Final

import pandas as pd

from carnivore_sign.errors import InputError
from carnivore_sign.intake.archive_importing import add_archive
from carnivore_sign.intake.asking import require_columns
from carnivore_sign.intake.clocks import require_zone
from carnivore_sign.intake.darwin_core import ARCHIVE
from carnivore_sign.intake.doubts import note_doubts
from carnivore_sign.intake.encoded import EncodedLog, problem_of
from carnivore_sign.intake.form_edits import fit_edits
from carnivore_sign.intake.known_rows import split_known
from carnivore_sign.intake.outlines import keep_one_tracing
from carnivore_sign.intake.parallel import FileRead, Options, read_many
from carnivore_sign.intake.photo_importing import BATCH, import_photos, is_photo
from carnivore_sign.intake.photos import unique_names
from carnivore_sign.intake.reading import Reading, ReceiptColumns, receipt_frame
from carnivore_sign.intake.settling import settle_mended, settle_repeated
from carnivore_sign.intake.sidecars import files_in, part_sidecars, shapefile_of
from carnivore_sign.intake.writing import SeasonWriter
from carnivore_sign.progress import with_progress
from carnivore_sign.records.check import conform
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import RECEIPTS
from carnivore_sign.spreading import Place

_DIGITS: Final = 6
#: What `import_files` tells of a file besides its receipts.
_OUTCOME: Final = ("outcome", "problem", "path")
_GONE: Final = "the season had this content a moment ago, and has it no longer"


def import_files(
    season: Season,
    paths: Iterable[str | Path],
    *,
    crs: str | None = None,
    observer: str | None = None,
    time_zone: str | None = None,
    columns: Mapping[str, str] | None = None,
    rollover_repaired: bool = False,
    workers: int = 1,
    on: Place = None,
    show_progress: bool = False,
) -> pd.DataFrame:
    """Import files of any kind that `read_file` reads into a season.

    Parameters
    ----------
    season : Season
        The season; it grows by the rows kept, the rows set aside and the receipts.
    paths : iterable of path-like
        The files, in any order; a folder stands for the files in it and below it.
    crs : str, optional
        Reference system of layers that state none.
    observer : str, optional
        Who carried the devices and took the photos; the author named in each log, unless given.
    time_zone : str, optional
        IANA name of the zone of times that carry none; that of the season, unless given.
    columns : mapping of str to str, optional
        Names in the first rows of tables, and the columns that they are, where the names do not
        tell: ``{"Spur Nr.": "sign"}``; `ask_columns` asks for them.
    rollover_repaired : bool
        Put dates that an old receiver wrote 1024 weeks early later; see `repair_rollover`.
    workers : int
        Processes that read files; the season is the same whatever their number. More than one
        pays from about a hundred logs on; a script then needs ``if __name__ == "__main__":``.
    on : place, optional
        Where files are read instead, such as a Dask client; see `carnivore_sign.spreading.spread`.
    show_progress : bool
        Draw a bar on standard error.

    Returns
    -------
    DataFrame
        The receipts, one row per file and table, as table ``receipts``, with three more columns:
        ``outcome``, which is ``imported``, ``known`` (the season has this content already,
        and was not changed), ``refused`` or ``passed over`` (the files beside a shapefile, one
        row for all of them), ``problem``, which says why a file was refused or gave nothing,
        and ``path``, where the file is. ``notes`` names the doubtful rows as well
        (`doubtful_rows`).

    Notes
    -----
    Interrupting is safe at any moment, killing the process as well: the season holds whole
    files only. Files are written a few seconds' worth at a time; what an interruption cost is
    imported by the same call once more.

    Examples
    --------
    >>> import tempfile
    >>> from pathlib import Path
    >>> from carnivore_sign import create_season, import_files
    >>> folder = Path(tempfile.mkdtemp())
    >>> season = create_season(folder / "s.gpkg", name="North", time_zone="America/Denver")
    >>> rows = {"sign": ["A", "B"], "date": ["2026-02-14", "2026-02-30"], "time": "07:40"}
    >>> rows |= {"lat": 37.4, "lon": -119.2, "kind": "track"}
    >>> pd.DataFrame(rows).to_csv(folder / "sign.csv", index=False)
    >>> receipts = import_files(season, [folder / "sign.csv"])
    >>> receipts[["rows_in", "rows_kept", "rows_set_aside"]].values.tolist()
    [[2, 1, 1]]
    >>> import_files(season, [folder / "sign.csv"])["outcome"].item()
    'known'
    """
    zone = require_zone(time_zone) or season.time_zone
    options = Options(crs, observer, zone, rollover_repaired, columns=require_columns(columns))
    if workers < 1:
        raise InputError(f"{workers} workers cannot read a file", remedy="Use 1 or more.")
    named, beside = part_sidecars(files_in([Path(path) for path in paths]))
    files = with_progress(named, "reading files", show=show_progress)
    told: list[pd.DataFrame | ReceiptColumns] = []
    with SeasonWriter(season) as writer:
        for photos, run in groupby(files, key=is_photo):
            if photos:
                writer.flush()
                told += _import_photos(season, run, options)
            else:
                known = replace(options, known=writer.hashes)
                told += [
                    _import_one(writer, file) for file in read_many(run, known, workers, on=on)
                ]
    told += [_passed_over(layer, parts) for layer, parts in beside.items()]
    if not told:
        blank = pd.Series(dtype="object")
        return conform(pd.DataFrame(), RECEIPTS).assign(outcome=blank, problem=blank, path=blank)
    return note_doubts(season, _joined(told))


def _joined(told: list[pd.DataFrame | ReceiptColumns]) -> pd.DataFrame:
    """Join what is told of files, those as plain columns that follow each other at once."""
    frames: list[pd.DataFrame] = []
    plain: list[ReceiptColumns] = []
    for one in told:
        if isinstance(one, dict):
            plain.append(one)
        else:
            frames += [*_outcomes(plain), one]
            plain = []
    return pd.concat([*frames, *_outcomes(plain)], ignore_index=True)


def _outcomes(told: list[ReceiptColumns]) -> list[pd.DataFrame]:
    """Return what is told in plain columns as one frame, if there is any."""
    if not told:
        return []
    more = {name: [word for one in told for word in one[name]] for name in _OUTCOME}
    return [receipt_frame(told).assign(**more)]


def _passed_over(layer: Path, parts: list[Path]) -> pd.DataFrame:
    """Tell of the files beside a shapefile that they were read with it."""
    names = ", ".join(part.name for part in parts)
    row = conform(pd.DataFrame({"file": [names]}), RECEIPTS)
    note = f"parts of the shapefile {layer.name}, and read with it"
    return row.assign(notes=note, outcome="passed over", problem=None, path=str(layer.parent))


def _import_photos(season: Season, run: Iterator[Path], options: Options) -> list[pd.DataFrame]:
    """Import photos that follow each other, as many at once as fit."""
    told = []
    while batch := list(islice(run, BATCH)):
        told.append(
            import_photos(
                season,
                batch,
                time_zone=options.time_zone,
                observer=options.observer,
                rollover_repaired=options.rollover_repaired,
            )
        )
    return told


def _import_one(writer: SeasonWriter, file: FileRead) -> pd.DataFrame | ReceiptColumns:
    if file.sha256 is None:
        return _refused(file)
    writer.look_again()
    known = writer.receipts_of(file.sha256)
    if known is not None:
        return _known(known, file)
    if file.reading is None:
        return _refused(replace(file, problem=_GONE))
    if isinstance(file.reading, EncodedLog):
        log = fit_log(writer, file.reading)
        writer.add_log(log)
        outcome = dict(zip(_OUTCOME, ("imported", log.problem, str(file.path)), strict=True))
        count = len(log.receipts["table_name"])
        return {**log.receipts, **{name: [word] * count for name, word in outcome.items()}}
    if file.reading.kind == ARCHIVE:
        written, problem = add_archive(writer, file.reading)
    else:
        try:
            reading, fresh, rows_known = fit_into(writer, file.reading)
            written, problem = reading.receipts(rows_known=rows_known), problem_of(reading)
            settled = settle_mended(writer.season, reading, fresh)
            writer.add({**fresh, "set_aside": reading.set_aside, "settled": settled}, written)
            _settle_repeated(writer, file.reading)
        except InputError as error:
            return _refused(replace(file, problem=str(error)))
    return written.assign(outcome="imported", problem=problem, path=str(file.path))


def _settle_repeated(writer: SeasonWriter, reading: Reading) -> None:
    """Settle rows set aside just now that the season holds as settled: they are numbered as read.

    Their numbers are known once they are written, as other processes may write as well.
    """
    if not len(reading.set_aside) or writer.season.read("settled").empty:
        return
    writer.flush()
    again = settle_repeated(writer.season, reading)
    if len(again):
        writer.season.append({"settled": again})
        writer.read_again()


def _known(receipts: pd.DataFrame, file: FileRead) -> pd.DataFrame:
    note = f"the season has this content already, as {receipts['file'].iloc[0]}; nothing changed"
    return receipts.assign(
        file=file.path.name,
        rows_known=receipts["rows_kept"],
        notes=note,
        outcome="known",
        problem=None,
        path=str(file.path),
    )


def _refused(file: FileRead) -> pd.DataFrame:
    row = conform(pd.DataFrame({"file": [file.path.name]}), RECEIPTS)
    layer = shapefile_of(file.path)
    problem = file.problem
    if layer is not None and file.path.is_file():
        problem = f"{file.path}: this is a part of a shapefile. Import {Path(layer).name} with it."
    return row.assign(outcome="refused", problem=problem, path=str(file.path))


def fit_into(
    writer: SeasonWriter, reading: Reading
) -> tuple[Reading, dict[str, pd.DataFrame], dict[str, int]]:
    """Fit a reading that is no log to what the season holds.

    Returns
    -------
    reading : Reading
        With the rows set aside whose name the season has already.
    fresh : dict of str to DataFrame
        The rows to add, by table.
    rows_known : dict of str to int
        Of the rows kept, those that the season has already.
    """
    writer.flush()
    season = writer.season
    if "photos" in reading.tables:
        reading = _with_own_photo_names(season, reading)
    if "outlines" in reading.tables:
        reading = keep_one_tracing(season.read("outlines"), reading)
    if "walks" in reading.tables:
        reading = fit_edits(season, reading)
    fresh: dict[str, pd.DataFrame] = {}
    counts: dict[str, int] = {}
    for name in reading.tables:
        reading, fresh[name], counts[name] = split_known(season, reading, name)
    return reading, fresh, counts


def fit_log(writer: SeasonWriter, log: EncodedLog) -> EncodedLog:
    """Give a log a name of its own in the season, and leave out the fixes that are in it."""
    if log.name in writer.log_names:
        log = log.renamed(_own_name(writer.log_names, str(log.name), log.sha256))
    if log.fixes is None:
        return log
    known, how = writer.fixes.has(log.fixes), "with the same time and place"
    rounded, told = writer.fixes.has_rounded(log.fixes)
    if rounded.sum() > known.sum():
        known, how = known | rounded, f"the same to within their rounding ({told})"
    if not known.any():
        return log
    note = (
        f"{known.sum()} of its {len(known)} fixes are in the season from another log, {how}, and "
        "were not added again"
    )
    return log.without_known(known, note)


def _own_name(taken: set[str], stem: str, sha256: str) -> str:
    return next(
        f"{stem}-{sha256[:digits]}"
        for digits in range(_DIGITS, len(sha256) + 1)
        if f"{stem}-{sha256[:digits]}" not in taken
    )


def _with_own_photo_names(season: Season, reading: Reading) -> Reading:
    photos = reading.tables["photos"]
    taken = season.read("photos")["photo"]
    own = unique_names(photos["photo"].tolist(), photos["sha256"].tolist(), taken)
    if own == photos["photo"].tolist():
        return reading
    note = f"another photo of the season is called {photos['photo'].iloc[0]}"
    named = photos.assign(photo=pd.Series(own, index=photos.index, dtype=photos["photo"].dtype))
    return replace(reading, tables={"photos": named}, notes=(*reading.notes, note))
