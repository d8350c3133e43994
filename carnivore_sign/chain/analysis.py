"""Chain: from a season to everything that is computed from it, step by step.

The doubt about each print goes through every step as a number: log likelihoods per taxon are
pooled over the sign, the sign are linked into trails, pooled again over the trail, turned into
probabilities under the stated prior, and carried on the trail into detections, rates and
presence.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import pandas as pd

from carnivore_sign.chain.flags import tell_all_flagged
from carnivore_sign.chain.known import evidence_of, observers_of
from carnivore_sign.chain.options import AnalysisOptions
from carnivore_sign.chain.units import areas_of, with_searches
from carnivore_sign.chain.walked import visits_of_season
from carnivore_sign.errors import DataWarning, InputError, NothingSurveyed
from carnivore_sign.identify import (
    PRIOR_TRAILS,
    Evidence,
    estimate_shares,
    join_traced,
    pool_evidence,
    regions,
    to_probabilities,
    weigh_sign_parts,
)
from carnivore_sign.intake import orphan_prints, place_sign, season_photos, tell_orphans
from carnivore_sign.presence import (
    MonthlyPresence,
    SeasonPresence,
    Share,
    monthly_presence,
    season_presence,
)
from carnivore_sign.records.season import Season
from carnivore_sign.records.tables import taxon_column
from carnivore_sign.space import STORED_CRS, project, working_crs
from carnivore_sign.survey import (
    LearnedShare,
    assign_stated_walks,
    assign_walks,
    cut_by_areas,
    cut_segments,
    date_by_clearing,
    gather_units,
    learned_share,
    make_detections,
    match_logs,
    search_visits,
    trails_with_tracks,
)
from carnivore_sign.trails import (
    GaitSequence,
    Linking,
    assign_followed,
    gait_of_trails,
    lines_of_logs,
    link_sign,
    make_trails,
    outings_of_day,
)


@dataclass(frozen=True, eq=False)
class Analysis:
    """Everything that is computed from a season, in frames of ``records.tables``.

    Attributes
    ----------
    season : Season
        The season it was computed from.
    options : AnalysisOptions
        With which choices.
    evidence : Evidence
        With which likelihood ratios, and which prior of the region.
    region_prior : Series
        Prior of each taxon in the region, without those held to be absent.
    prior : Series
        Prior of each taxon that the trails' probabilities were computed with: the shares
        estimated from the season's trails, or the region's prior where that was asked for.
    transects, parcels : GeoDataFrame
        As recorded.
    clearings, receipts : DataFrame
        As recorded.
    prints : DataFrame
        As recorded, with what was measured of those that were traced (`join_traced`).
    segments : GeoDataFrame
        SEGMENTS.
    matched : DataFrame
        One row per fix: its walk, segment and state.
    visits : DataFrame
        VISITS of the whole season.
    sign : GeoDataFrame
        SIGN with positions.
    unplaced : DataFrame
        Sign that has no position, with the reason.
    walks : Series
        Walk of each sign, by its name.
    probabilities : DataFrame
        ``p_<taxon>`` of each sign by itself, by its name.
    likelihoods : DataFrame
        Log likelihood of each taxon, pooled over the sign of each trail, with what its gait
        says, by its name.
    linking : Linking
        How the sign were linked, and how sure that is.
    members : DataFrame
        Which sign make up which trail.
    trails : GeoDataFrame
        TRAILS.
    detections, incidental : DataFrame
        Trails on visited segments (DETECTIONS), and those off them with the reason.
    areas : GeoDataFrame, optional
        The cells or management units that stand for segments: ``unit`` and polygons. Segments
        are then the lines in each of them, and ``matched`` names the pieces of transects.
    """

    season: Season
    options: AnalysisOptions
    evidence: Evidence
    region_prior: pd.Series
    prior: pd.Series
    transects: gpd.GeoDataFrame
    parcels: gpd.GeoDataFrame
    clearings: pd.DataFrame
    prints: pd.DataFrame
    receipts: pd.DataFrame
    segments: gpd.GeoDataFrame
    matched: pd.DataFrame
    visits: pd.DataFrame
    sign: gpd.GeoDataFrame
    unplaced: pd.DataFrame
    walks: pd.Series
    probabilities: pd.DataFrame
    likelihoods: pd.DataFrame
    linking: Linking
    members: pd.DataFrame
    trails: gpd.GeoDataFrame
    detections: pd.DataFrame
    incidental: pd.DataFrame
    areas: gpd.GeoDataFrame | None = None

    @cached_property
    def season_presence(self) -> SeasonPresence:
        """Presence in every month, judged with one fit of the whole season."""
        return season_presence(
            self.segments,
            self.visits,
            self.detections,
            taxon=self.options.taxon,
            prior=self.prior,
        )

    def presence(self, period: str) -> MonthlyPresence:
        """Judge one month with the fit of the whole season.

        Everything is estimated from all months of the season together. Where the walks favour
        it, neighbours along a transect, or the months of a segment, inform each other; the
        message says so. A month with few walks borrows the rates from the others.

        Parameters
        ----------
        period : str
            Local month, ``YYYY-MM``.

        Raises
        ------
        NothingSurveyed
            If no segment was walked in that month.
        """
        told = monthly_presence(
            self.segments,
            self.visits,
            self.detections,
            period=period,
            taxon=self.options.taxon,
            prior=self.prior,
            fit=self.season_presence.fit,
        )
        whole = self.season_presence
        if whole.fit is None:
            own = "" if told.fit is None else "This month's own walks carry one, given here."
            return told._replace(message=f"{whole.message} {own}".strip())
        shares = whole.shares[whole.shares["period"].eq(period)].drop(columns="period")
        return told._replace(share=Share(*next(shares.itertuples(index=False))))

    @property
    def surveyed(self) -> np.ndarray:
        """Which rows of ``likelihoods`` are trails found on a walk; shares rest on those alone."""
        return _on_walks(self.likelihoods.index, self.members, self.walks)

    @cached_property
    def learned_share(self) -> LearnedShare | None:
        """How well the taxon's share among trails is known; None where it was stated."""
        if not self.options.learn_prior:
            return None
        chances = self.under_prior(self.prior)[taxon_column(self.options.taxon)]
        share = float(self.prior[self.options.taxon])
        return learned_share(chances[self.surveyed], share, prior_trails=PRIOR_TRAILS)

    def under_prior(self, prior: pd.Series) -> pd.DataFrame:
        """Return the probabilities of the trails under another prior: ``p_<taxon>``, by trail."""
        return to_probabilities(self.likelihoods, prior)


def analyse(
    season: Season,
    options: AnalysisOptions | None = None,
    *,
    gait: GaitSequence | None = None,
    followed_logs: Sequence[str] = (),
) -> Analysis:
    """Compute everything from a season.

    Parameters
    ----------
    season : Season
        With at least one transect and one log.
    options : AnalysisOptions, optional
        Choices; the defaults are stated there.
    gait : GaitSequence, optional
        Prints that were measured in a plane or with a tape (`gait_sequence`), each sequence
        named after the sign it was measured at. What their gait says of the taxon takes the
        place of what the noted strides of that trail say.
    followed_logs : sequence of str
        Logs of trails that were followed by hand. Their lines are taken for trails as they
        are, and not for effort.

    Returns
    -------
    Analysis
        Everything that was computed, step by step.

    Raises
    ------
    NothingSurveyed
        If the season has no transect or no log, with what to import.

    Warns
    -----
    DataWarning
        If sign had to be left out because nothing says where it was found, prints because the
        season has no sign of the name they give, or something is wrong with traced prints.

    Examples
    --------
    >>> from carnivore_sign.example import example_season
    >>> analysis = analyse(example_season(), AnalysisOptions(region="dry_range"))
    >>> analysis.visits["walk"].nunique(), round(float(analysis.prior.sum()), 6)
    (40, 1.0)
    """
    options = options or AnalysisOptions()
    transects, fixes = season.read("transects"), season.read("fixes")
    _require_something(season, transects, fixes if len(fixes) else season.read("walks"))
    evidence = evidence_of(options)
    region_prior = _region_prior(evidence, options)
    clearings = season.read("clearings")
    prints = join_traced(season.read("prints"), season.read("outlines"))
    areas = areas_of(options, transects, fixes)
    segments = (
        cut_segments(transects, length_m=options.segment_length_m)
        if areas is None
        else cut_by_areas(transects, areas)
    )
    matched = match_logs(
        fixes[~fixes["log"].isin(list(followed_logs))], segments,
        tolerance_m=options.tolerance_m, max_speed_m_s=options.max_speed_m_s,
        excluding_flags=options.excluding_flags,
    )  # fmt: skip
    visits = visits_of_season(season, matched, segments, clearings)
    sign, unplaced = place_sign(
        season.read("sign"), season.read("waypoints"), season_photos(season)
    )
    _tell_unplaced(unplaced)
    _tell_orphans(season)
    _tell_unmatched(matched, transects, fixes["flags"], options)
    walks = assign_stated_walks(
        assign_walks(sign, matched), sign, visits, segments, within_m=options.max_offset_m
    )
    # The stride is weighed once for a trail, by its gait, and not for each sign.
    parts = weigh_sign_parts(
        sign.drop(columns="stride_m"), prints, evidence, observers=observers_of(options, evidence)
    )
    probabilities = to_probabilities(parts.together, region_prior)
    followed = lines_of_logs(fixes, followed_logs)
    outings = outings_of_day(walks, sign, time_zone=season.time_zone)
    outings["followed"] = assign_followed(sign, followed)
    linking = link_sign(sign, probabilities, outings, prints, prior=region_prior)
    members = linking.members
    trail_of = members.set_index("sign")["trail"]
    pooled = pool_evidence(parts.together, trail_of, words=parts.words)
    pooled = pooled + gait_of_trails(members, sign, gait)
    surveyed = pooled[_on_walks(pooled.index, members, walks)]
    prior = estimate_shares(surveyed, region_prior) if options.learn_prior else region_prior
    shares = to_probabilities(pooled, prior)
    trails = make_trails(sign, members, shares, prints, clearings, followed=followed)
    detections, incidental = make_detections(
        trails, members, sign, segments, visits, walks=walks, max_offset_m=options.max_offset_m
    )
    tracks = trails_with_tracks(members, sign)
    trails = date_by_clearing(trails, detections, visits, with_tracks=tracks)
    if areas is not None:
        gathered = gather_units(segments, visits, detections)
        if options.free_search:
            searches = search_visits(
                matched, areas, season.read("logs"), time_zone=season.time_zone
            )
            gathered, incidental = with_searches(
                gathered, incidental, searches, areas, found_on=(sign, trails, walks)
            )
        segments, visits, detections = gathered
    return Analysis(
        season, options, evidence, region_prior, prior, transects, season.read("parcels"),
        clearings, prints, season.read("receipts"), segments, matched, visits, sign, unplaced,
        walks, probabilities, pooled, linking, members, trails, detections, incidental, areas,
    )  # fmt: skip


def _require_something(season: Season, transects: pd.DataFrame, walked: pd.DataFrame) -> None:
    wanted = {"transects": transects, "GPS logs": walked}
    missing = [what for what, table in wanted.items() if table.empty]
    if missing:
        raise NothingSurveyed(
            f"{season.path}: the season has no {' and no '.join(missing)}. Import them: "
            f"carnivore-sign intake {season.path} FILE ..."
        )


def _on_walks(trails: pd.Index, members: pd.DataFrame, walks: pd.Series) -> np.ndarray:
    """Say which trails have sign that was found on a walk with a log.

    What is noted beside the walks is what somebody found worth noting: it shows where animals
    were, and not which share of the trails is theirs.
    """
    walked = members["sign"].map(walks).notna().groupby(members["trail"]).any()
    return walked.reindex(trails).to_numpy(dtype=bool)


def _region_prior(evidence: Evidence, options: AnalysisOptions) -> pd.Series:
    prior = evidence.prior.copy()
    prior[list(options.absent)] = 0.0
    if not prior[options.taxon] > 0:
        raise InputError(
            f"the region '{options.region}' holds {options.taxon_name} to be absent",
            remedy=f"Choose another region: {', '.join(regions())}.",
        )
    return prior / prior.sum()


def _tell_unmatched(
    matched: pd.DataFrame, transects: gpd.GeoDataFrame, flags: pd.Series, options: AnalysisOptions
) -> None:
    """Say so where no fix at all lies on a transect: all are flagged, or how far off they are."""
    if matched.empty or matched["segment"].notna().any():
        return
    all_flagged = tell_all_flagged(matched, flags.loc[matched.index], options.excluding_flags)
    if all_flagged:
        warnings.warn(all_flagged, DataWarning, stacklevel=3)
        return
    usable = matched[~matched["state"].isin(("flagged", "no time"))].drop_duplicates("log")
    crs = working_crs(transects)
    starts = gpd.GeoSeries(
        gpd.points_from_xy(usable["longitude_deg"], usable["latitude_deg"]), crs=STORED_CRS
    )
    apart = starts.to_crs(crs).distance(project(transects, crs).union_all()).min()
    warnings.warn(
        f"None of the {matched['log'].nunique()} logs follows a transect: the nearest starts "
        f"{apart / 1000:.1f} km from one. Were these the right transects, or latitude and "
        "longitude swapped?",
        DataWarning,
        stacklevel=3,
    )


def _tell_unplaced(unplaced: pd.DataFrame) -> None:
    if len(unplaced):
        names = ", ".join(map(str, unplaced["sign"].head(5)))
        warnings.warn(
            f"{len(unplaced)} sign without a position were left out ({names}): "
            f"{unplaced['reason'].iloc[0]}",
            DataWarning,
            stacklevel=3,
        )


def _tell_orphans(season: Season) -> None:
    told = tell_orphans(orphan_prints(season))
    if told:
        warnings.warn(f"left out: {told}", DataWarning, stacklevel=3)
