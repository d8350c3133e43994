"""Demo: the whole chain on the invented season, by the code that works on a user's own files.

The files of the demo season lie in ``data/demo/`` of the repository and, in an installed
package, in ``carnivore_sign/demo_data/``. Their ``truth/`` folder is read here alone, after
everything is computed, to hold the numbers against it.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from pathlib import Path

import pandas as pd

from carnivore_sign.chain import (
    Analysis,
    AnalysisOptions,
    AnswerPage,
    Outcome,
    analyse,
    answer,
    month,
)
from carnivore_sign.chain.answer import safe_name
from carnivore_sign.chain.outputs import output_folder, rows_of
from carnivore_sign.errors import FileUnreadable, InputError
from carnivore_sign.intake import import_files
from carnivore_sign.progress import with_progress
from carnivore_sign.records.season import Season, create_season, open_season
from carnivore_sign.simulate import share_with_tracks
from carnivore_sign.survey import detection_rates
from carnivore_sign.writing import write_whole

_HERE = Path(__file__).parent
_NAME = "Tolvane Range (invented)"
_REGION = "dry_range"
_AGENCY = "Tolvane Wildlife Office (invented, as is all of this place)"


def demo_folder() -> Path:
    """Return the folder with the files of the demo season.

    Raises
    ------
    FileUnreadable
        If this installation has none.
    """
    for folder in (_HERE / "demo_data", _HERE.parent / "data" / "demo"):
        if (folder / "sign.csv").is_file():
            return folder
    raise FileUnreadable(
        "this installation carries no demo season",
        remedy="Make one: python -m carnivore_sign.simulate FOLDER, and import its files.",
    )


def run_demo(
    out: str | Path, *, made_on: dt.date | None = None, show_progress: bool = False
) -> Outcome:
    """Import the demo season and make each month's map and report and a landowner's answer.

    Parameters
    ----------
    out : path-like
        Folder to write to. A season of an earlier run there is used again.
    made_on : date, optional
        Date that the pages bear; today, unless given.
    show_progress : bool
        Draw bars on standard error.

    Returns
    -------
    Outcome
        The files, and the chief numbers beside the truth they were simulated from.

    Examples
    --------
    >>> run_demo("carnivore-demo")  # doctest: +SKIP
    """
    source = demo_folder()
    folder = output_folder(out)
    truth = json.loads((source / "truth" / "truth.json").read_text(encoding="utf-8"))
    season = _demo_season(folder / "season.gpkg", truth["time_zone"])
    import_files(season, _inputs(source), show_progress=show_progress)
    analysis = analyse(season, AnalysisOptions(region=_REGION))
    files = {"season": season.path}
    periods = sorted(analysis.visits["period"].unique())
    for period in with_progress(periods, "months", show=show_progress):
        made = month(analysis, period, folder / period, made_on=made_on)
        files |= {f"{period} {what}": path for what, path in _chief(made)}
    for incident in season.read("incidents")["incident"]:
        place = folder / f"answer-{safe_name(incident)}"
        made = answer(analysis, incident, place, page=AnswerPage(agency=_AGENCY), made_on=made_on)
        files |= {f"{incident} {what}": path for what, path in _chief(made)}
    held = against_truth(analysis, source / "truth")
    files["numbers beside the truth"] = folder / "against_truth.csv"
    write_whole(files["numbers beside the truth"], held.to_csv(index=False).encode("utf-8"))
    title = f"The demo season, {_NAME}: an invented place with invented people"
    return Outcome(title, {"against_truth": rows_of(held)}, files, tuple(_in_words(held)))


def against_truth(analysis: Analysis, truth: Path) -> pd.DataFrame:
    """Hold the numbers of an analysis of simulated files against what was simulated.

    Parameters
    ----------
    analysis : Analysis
        Of a season that `simulate.write_season` wrote, cut at the truth's unit length.
    truth : Path
        The ``truth`` folder that was written with it.

    Returns
    -------
    DataFrame
        ``what``, ``period`` (empty for the season), ``truth``, ``estimate``, ``low``, ``high``
        (95 % limits), ``inside``.
    """
    taxon = analysis.options.taxon
    known = json.loads((truth / "truth.json").read_text(encoding="utf-8"))
    used = pd.read_csv(truth / "used_segments.csv")
    used = used[used["taxon"].eq(taxon)].set_index(["segment", "period"])["used"]
    found_per_km_day = known["rate_per_km_day"][taxon] * known["notice"] * share_with_tracks(taxon)
    rows = []
    rates = detection_rates(
        analysis.visits, analysis.detections, taxon=taxon, learned=analysis.learned_share
    )
    for rate in rates.set_index("period").itertuples():
        walked = analysis.visits[analysis.visits["period"].eq(rate.Index)]
        effort = walked.groupby("segment")["effort_km_days"].sum()
        there = used.xs(rate.Index, level="period").reindex(effort.index)
        rows.append(
            (
                "trails found per km and day of collecting",
                rate.Index,
                found_per_km_day * effort[there].sum() / effort.sum(),
                rate.trails_per_km_day,
                rate.trails_per_km_day_low,
                rate.trails_per_km_day_high,
            )
        )
    for share in analysis.season_presence.shares.itertuples():
        walked = analysis.visits.loc[analysis.visits["period"].eq(share.period), "segment"]
        truly = used.xs(share.period, level="period")[walked.unique()].mean()
        told = (share.share, share.low, share.high)
        rows.append(("share of walked segments used", share.period, truly, *told))
    fit = analysis.season_presence.fit
    if fit is not None:
        estimate = fit.summary().loc["sign_rate"]
        told = (estimate["estimate"], estimate["low"], estimate["high"])
        what = "trails found per km and day where used"
        rows.append((what, "", found_per_km_day, *told))
    columns = ["what", "period", "truth", "estimate", "low", "high"]
    held = pd.DataFrame(rows, columns=columns)
    return held.assign(inside=held["truth"].between(held["low"], held["high"]))


def _demo_season(path: Path, time_zone: str) -> Season:
    if path.exists():
        season = open_season(path)
        if season.name != _NAME:
            raise InputError(
                f"the season there is '{season.name}', and not one that the demo made",
                file=path,
                remedy="Name another folder: the demo never writes into your own season.",
            )
        return season
    return create_season(path, name=_NAME, time_zone=time_zone)


def _inputs(source: Path) -> list[Path]:
    tables = [*source.glob("*.geojson"), *source.glob("*.csv")]
    return sorted(tables) + sorted((source / "logs").glob("*.gpx"))


def _chief(made: Outcome) -> Iterator[tuple[str, Path]]:
    for what, path in made.files.items():
        if path.suffix in (".png", ".html", ".pdf"):
            yield what, path


def _in_words(held: pd.DataFrame) -> Iterator[str]:
    inside = int(held["inside"].sum())
    yield f"{inside} of {len(held)} numbers have the simulated truth within their 95 % limits"
    for row in held.itertuples():
        yield (
            f"{row.what}{f', {row.period}' if row.period else ''}: {row.estimate:.3f} "
            f"({row.low:.3f} to {row.high:.3f}), truth {row.truth:.3f}"
        )
